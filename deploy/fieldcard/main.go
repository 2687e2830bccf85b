// Command fieldcard writes the card that hangs beside the relay: what the buzzer
// and the lamp say and what to do, on one sheet.
//
// It is made from the alarm catalogue and from the patterns that are really
// sounded, so that it cannot say anything else:
//
//	go generate ./deploy
//
// Its test fails when deploy/field-card.html is not what this writes, and prints
// it with a browser on one sheet of A4 and of Letter paper. Each alarm is in one
// line of the table; when alarms are added and the sheet overflows, the type in
// card.html has to become smaller, or the least urgent ones have to go to the back.
package main

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
	"os"
	"strings"
	"time"

	"candlemark/agent/alarm"
	"candlemark/agent/signal"
)

//go:embed card.html
var cardText string

func main() {
	if len(os.Args) != 2 {
		fmt.Fprintln(os.Stderr, "usage: fieldcard FILE.html")
		os.Exit(2)
	}
	page, err := card()
	if err == nil {
		err = os.WriteFile(os.Args[1], page, 0o644)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "fieldcard:", err)
		os.Exit(1)
	}
}

// row is one alarm on the card.
type row struct {
	Name, Heard, Title, Do string
	Beeps                  template.HTML
}

// group is one severity.
type group struct {
	Severity, Now, Seen, Repeated string
	Lamp                          template.HTML
	Rows                          []row
}

func card() ([]byte, error) {
	t, err := template.New("card").Parse(cardText)
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	if err := t.Execute(&b, struct {
		Groups []group
		Test   template.HTML
	}{groups(), bars(signal.TestBeeps())}); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

func groups() (out []group) {
	for _, s := range []struct {
		severity alarm.Severity
		now      string
	}{{alarm.Critical, "LONG first: act now"}, {alarm.Warning, "LONG last: act soon"}, {alarm.Notice, "Lamp alone: know it"}} {
		g := group{Severity: string(s.severity), Now: s.now, Seen: signal.Seen(s.severity), Repeated: signal.Repeated(s.severity), Lamp: turns(signal.Flashes(s.severity))}
		for _, e := range alarm.Catalogue() {
			if e.Severity == s.severity {
				g.Rows = append(g.Rows, row{
					Name: string(e.Name), Heard: signal.Heard(e.Name, e.Severity), Beeps: bars(signal.Beeps(e.Name, e.Severity)),
					Title: title(e.Title), Do: sentence(e.Action),
				})
			}
		}
		out = append(out, g)
	}
	return out
}

// title is the alarm's words without what is filled in when it is raised.
func title(words string) string {
	words, _, _ = strings.Cut(words, ": {detail}")
	return sentence(strings.ReplaceAll(words, " {subject}", ""))
}

func sentence(words string) string {
	if words == "" {
		return ""
	}
	return strings.ToUpper(words[:1]) + words[1:] + "."
}

// The scale of the drawings, SVG user units.
const (
	perSecond  = 32.0
	beepHeight = 9
	lampSpan   = 5 * time.Second
)

// bars draws beeps as black bars as long as they sound; print keeps them, which it
// does not keep of backgrounds.
func bars(beats []signal.Beat) template.HTML {
	if len(beats) == 0 {
		return ""
	}
	var b strings.Builder
	x := 0.0
	for _, beat := range beats {
		w := beat.On.Seconds() * perSecond
		fmt.Fprintf(&b, `<rect x="%.1f" y="0" width="%.1f" height="%d"/>`, x, w, beepHeight)
		x += w + beat.Off.Seconds()*perSecond
	}
	return template.HTML(fmt.Sprintf(`<svg width="%.0f" height="%d" aria-hidden="true">%s</svg>`, x, beepHeight, b.String()))
}

// turns draws what the lamp does in five seconds.
func turns(turn signal.Beat) template.HTML {
	var b strings.Builder
	const scale = perSecond / 2
	for at := time.Duration(0); at < lampSpan; at += turn.On + turn.Off {
		fmt.Fprintf(&b, `<rect x="%.1f" y="0.5" width="%.1f" height="%d"/>`, at.Seconds()*scale, max(min(turn.On, lampSpan-at).Seconds()*scale, 3), beepHeight-1)
	}
	span := lampSpan.Seconds() * scale
	return template.HTML(fmt.Sprintf(`<svg width="%.0f" height="%d" aria-hidden="true">%s<rect x="0.5" y="0.5" width="%.0f" height="%d" fill="none" stroke="#000"/></svg>`,
		span+1, beepHeight, b.String(), span, beepHeight-1))
}
