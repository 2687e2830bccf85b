package httpd

import (
	"fmt"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"candlemark/agent/alarm"
	"candlemark/agent/pack"
	"candlemark/agent/status"
)

// doBox is the top of the page: how urgent, and what to do where.
type doBox struct {
	Severity alarm.Severity // sets the border; "" without an alarm
	Word     string
	Off      string // that the terminal is off and until when; "" while it is not
	Lines    []doLine
	Next     string // what will have to be done next, where there is nothing to do now
	More     string // what else is active below; "" for nothing
}

// doLine is one thing to do: Where it belongs, the thing itself, by when, and how.
type doLine struct {
	Where, First, By, Rest string
	id                     string     // of the alarm
	Alarm                  *alarmView // that asks for it; nil without
}

type alarmView struct {
	Severity                 alarm.Severity
	Word, Title, Since, Name string
	Detail                   string // the figures behind the title; "" without
	ID                       string
	First, Rest              string // "" where the top of the page says it
	Instead                  string // why there is no action; "" where there is one
	Known                    string // who acknowledged it, and until when it is quiet; "" for nobody
	Subject                  string
	Ask                      bool // it can be acknowledged here
}

func rank(s alarm.Severity) int {
	switch s {
	case alarm.Critical:
		return 0
	case alarm.Warning:
		return 1
	}
	return 2
}

func severityWord(s alarm.Severity) string {
	switch s {
	case alarm.Critical:
		return "ACT NOW"
	case alarm.Warning:
		return "ACT SOON"
	}
	return "KNOW THIS"
}

// settled says whether another alarm of the same pack makes a's action pointless:
// at the cut-off there is no lead time left to use, and the pack must come off.
func settled(a alarm.Active, alarms []alarm.Active) bool {
	if a.Name != alarm.BringNextPack && a.Name != alarm.ShutTerminalDown {
		return false
	}
	for _, b := range alarms {
		if b.Name == alarm.PackAtCutoff && b.Subject == a.Subject {
			return true
		}
	}
	return false
}

// whatToDo is what the most urgent alarms ask for, one line each even where two
// packs need the same: each needs it done. said tells which alarms it covers.
func whatToDo(alarms []alarm.Active, s status.Snapshot, alive bool) (box doBox, said []bool) {
	said = make([]bool, len(alarms))
	box.Off = terminalOff(&s)
	if !alive {
		box.Lines = append(box.Lines, doLine{Where: "Agent", First: "Restart the agent", Rest: "It hangs, and will not warn you."})
	}
	below := 0
	for i, a := range alarms {
		switch {
		case settled(a, alarms):
		case a.Action == "" || rank(a.Severity) > rank(alarms[0].Severity):
			below++
		default:
			first, rest := split(a.Action)
			if a.By != "" { // it stands by itself, in the words of the page
				rest = strings.TrimPrefix(rest, sentence(a.By)+" ")
			}
			box.Lines = append(box.Lines, doLine{id: a.ID, Where: where(a), First: first, By: by(a, &s), Rest: rest})
			said[i] = true
		}
	}
	if below > 0 {
		box.More = fmt.Sprintf("%d less urgent below.", below)
	}
	switch {
	case !alive:
		box.Severity = alarm.Critical
		box.Word = severityWord(box.Severity)
	case len(alarms) > 0:
		box.Severity = alarms[0].Severity
		box.Word = severityWord(box.Severity)
	case watched(s):
		box.Word = "NOTHING TO DO NOW"
		box.Lines = []doLine{{First: "No alarm is active."}}
		box.Next = next(&s)
	default:
		box.Severity = alarm.Warning
		box.Word = "NOT WATCHED"
		box.Lines = []doLine{{First: "Go by the clock.", Rest: "No alarm is active, but no pack is being read: do not rely on a warning from here."}}
	}
	return box, said
}

// by says until when an alarm's action must be done, "" where no time is known.
// The next pack must be there before the terminal would have to be shut down, and
// the terminal must be shut down before the pack may be flat.
func by(a alarm.Active, s *status.Snapshot) string {
	for i := range s.Packs {
		p := &s.Packs[i]
		if p.Name != a.Subject || !p.Forecast.Known {
			continue
		}
		f, off := s.FeedOff(p.Name)
		switch a.Name {
		case alarm.BringNextPack:
			left := p.Forecast.Cautious - p.Leads.ShutDown
			if off && f.ChangeKnown {
				left = min(left, f.ChangeIn) // then the load is back
			}
			return inTime("Be ready to swap", left, s)
		case alarm.ShutTerminalDown:
			if off {
				return "" // the action says what helps now, with its time
			}
			when := inTime("Have it off", p.Forecast.Cautious, s)
			if p.Forecast.Cautious >= time.Minute {
				when += " A swap before then makes this unnecessary."
			}
			return when
		case alarm.PackAtCutoff:
			return "At once."
		}
	}
	return ""
}

func inTime(what string, in time.Duration, s *status.Snapshot) string {
	if in < time.Minute {
		return what + " at once."
	}
	if at := atTime(" by ", in, s); at != "" {
		return what + at + " (" + pack.Left(in) + ")."
	}
	return what + " within " + pack.Left(in) + "."
}

// atTime is the time of day in so long, where the clock is set.
func atTime(before string, in time.Duration, s *status.Snapshot) string {
	if !s.ClockSet || s.Taken.Wall.IsZero() {
		return ""
	}
	return before + timeOfDay(s.Taken.Wall.Add(in), "15:04")
}

// next is the first thing that the forecasts will ask for.
func next(s *status.Snapshot) string {
	var first *status.Pack
	var soonest time.Duration
	for i := range s.Packs {
		p := &s.Packs[i]
		if in := p.Forecast.Cautious - p.Leads.NextPack; p.Forecast.Known && p.Leads.NextPack > 0 && in > 0 && (first == nil || in < soonest) {
			first, soonest = p, in
		}
	}
	if first == nil {
		return ""
	}
	return "Next: bring a pack to " + first.Name + ", in about " + pack.Left(soonest) + atTime(", at ", soonest, s) + "."
}

// terminalOff is the headline of a feed that is off: until when, "" while it is not.
func terminalOff(s *status.Snapshot) string {
	if s.Feed == nil {
		return ""
	}
	f, off := s.FeedOff(s.Feed.Pack)
	switch {
	case !off:
		return ""
	case !f.ChangeKnown:
		return "Terminal OFF until the pack is swapped or charged, or the operator switches it on."
	}
	if at := atTime(" until ", f.ChangeIn, s); at != "" {
		return "Terminal OFF" + at + " (" + pack.Left(f.ChangeIn) + ")."
	}
	return "Terminal OFF for " + pack.Left(f.ChangeIn) + " more."
}

func watched(s status.Snapshot) bool {
	for _, p := range s.Packs {
		if p.ReadingKnown && !p.Stale {
			return true
		}
	}
	return false
}

// where names what an alarm is about.
func where(a alarm.Active) string {
	e, _ := alarm.Lookup(a.Name)
	switch {
	case a.Name == alarm.LinkDown:
		return "Link"
	case a.Subject == "":
		return "Relay"
	case e.About == "hop target":
		return "Hop " + a.Subject
	case e.About == "feed":
		return "Terminal"
	case e.About == "pack":
		return "Pack " + a.Subject
	}
	return a.Subject
}

// person is who did something, without the way it came.
func person(who string) string {
	name, _, _ := strings.Cut(who, " (")
	return name
}

// split parts an action into what to do, for reading at a distance, and how or why.
func split(action string) (first, rest string) {
	first, rest = alarm.Order(action)
	return sentence(first), sentence(rest)
}

// sentenceStart gives words their capital.
func sentenceStart(words string) string {
	r, size := utf8.DecodeRuneInString(words)
	if size == 0 {
		return ""
	}
	return string(unicode.ToUpper(r)) + words[size:]
}

// sentence gives words their capital and full stop.
func sentence(words string) string {
	words = sentenceStart(words)
	if words == "" {
		return ""
	}
	if strings.HasSuffix(words, ".") {
		return words
	}
	return words + "."
}

func describeAlarm(a alarm.Active, up time.Duration, said, settled bool) alarmView {
	v := alarmView{
		Severity: a.Severity, Word: severityWord(a.Severity),
		ID: a.ID, Subject: a.Subject, Since: "Active for " + about(up-a.Raised.Up), Name: string(a.Name),
	}
	title, detail, _ := strings.Cut(a.Title, ": ")
	v.Title, v.Detail = sentence(title), sentence(detail)
	if a.ClockSet && !a.Raised.Wall.IsZero() {
		v.Since += ", since " + timeOfDay(a.Raised.Wall, "15:04")
	}
	v.Since += "."
	if k := a.Acknowledged; k != nil {
		v.Known = "Acknowledged by " + person(k.Who) + " " + about(up-k.At.Up) + " ago. Quiet for " + about(k.Until-up) + " more, or until it gets worse."
	}
	switch {
	case settled:
		v.Instead = "Too late for this: the pack is at its cut-off, see the top of the page."
	case said:
		v.Instead = "What to do is at the top of the page."
	default:
		v.First, v.Rest = split(a.Action)
		v.Ask = a.Acknowledged == nil
	}
	return v
}
