package handover

import (
	"fmt"
	"strings"
	"time"
	"unicode"

	"candlemark/agent/plan"
)

// NotRecorded stands for what a person did not fill in; NotKnown and NotMeasured for
// what the agent could not tell.
const (
	NotRecorded = "not recorded"
	NotKnown    = "not known"
	NotMeasured = "not measured"
)

// orNot is the text on one line, or NotRecorded.
func orNot(text string) string {
	text = oneLine(text)
	if text == "" {
		return NotRecorded
	}
	return text
}

// oneLine makes any bytes one line of text that prints: no control characters, no
// marks that turn the direction of what follows.
func oneLine(text string) string {
	text = strings.Map(func(r rune) rune {
		switch {
		case unicode.IsSpace(r) || unicode.IsControl(r):
			return ' '
		case unicode.Is(unicode.Cf, r) || unicode.Is(unicode.Co, r): // invisible, or of private meaning
			return -1
		}
		return r
	}, strings.ToValidUTF8(text, "\uFFFD"))
	return strings.Join(strings.Fields(text), " ")
}

// clip cuts text for the one-page form.
func clip(text string, most int) string {
	r := []rune(text)
	if len(r) <= most {
		return text
	}
	return strings.TrimSpace(string(r[:most-1])) + "…"
}

// both prints a time of day local and UTC, with the date where it is not that of now.
func both(t, now time.Time) string {
	if t.IsZero() {
		return NotRecorded
	}
	local, utc := localTime(t, now), utcTime(t, now)
	if _, offset := t.In(now.Location()).Zone(); offset == 0 {
		return utc + " UTC"
	}
	return local + " (" + utc + " UTC)"
}

func localTime(t, now time.Time) string {
	t = t.In(now.Location())
	if t.Format(time.DateOnly) == now.Format(time.DateOnly) {
		return t.Format("15:04")
	}
	return t.Format("Jan 2 15:04")
}

// utcTime carries its own date only where it is another than that of the local time.
func utcTime(t, now time.Time) string {
	u := t.UTC()
	if u.Format(time.DateOnly) != t.In(now.Location()).Format(time.DateOnly) {
		return u.Format("Jan 2 15:04")
	}
	return u.Format("15:04")
}

// dated prints day and time, local and UTC.
func dated(t time.Time, loc *time.Location) string {
	if t.IsZero() {
		return NotRecorded
	}
	l := t.In(loc)
	zone, offset := l.Zone()
	if offset == 0 {
		return l.UTC().Format("2006-01-02 15:04") + " UTC"
	}
	u := l.UTC().Format("15:04")
	if l.UTC().Format(time.DateOnly) != l.Format(time.DateOnly) {
		u = l.UTC().Format("2006-01-02 15:04")
	}
	return l.Format("2006-01-02 15:04") + " " + zone + " (" + u + " UTC)"
}

// age prints how long ago something was.
func age(d time.Duration) string {
	switch {
	case d < 0:
		return "age not known"
	case d < 2*time.Minute:
		return fmt.Sprintf("%d s ago", int(d.Round(time.Second)/time.Second))
	}
	return plan.Span(d) + " ago"
}

func ms(d time.Duration) float64 { return float64(d) / float64(time.Millisecond) }

func bytesText(n float64) string {
	switch {
	case n >= 1e9:
		return fmt.Sprintf("%.2f GB", n/1e9)
	case n >= 1e6:
		return fmt.Sprintf("%.1f MB", n/1e6)
	}
	return fmt.Sprintf("%.0f kB", n/1e3)
}
