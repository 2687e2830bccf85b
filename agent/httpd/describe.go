package httpd

import (
	"cmp"
	"slices"
	"time"

	"candlemark/agent/alarm"
	"candlemark/agent/status"
)

// page is what the page says, in words and with units; the template adds none.
type page struct {
	Headline, Relay, Site, AsOf string
	Stuck                       string // why the page is old; "" when it is not
	Do                          doBox
	Packs                       []packView
	Feed                        *feedView
	Good                        []goodView // the three uses that the first screen answers for
	Way                         []wayView
	Alarms                      []alarmView
	Trouble                     *troubleView
	Fit                         []fitView
	Links                       []linkView
	Agent                       []fact
	Survey                      *surveyView // nil where no surveys are made
	Curves                      []curveView
	History                     curveView
	CanAct                      bool   // this page may send commands
	CannotAct                   string // else why not, and what to do instead
}

// fact is one line of a list. Raw is what a part of the system said by itself,
// for whoever repairs it; "" where it said nothing.
type fact struct{ Name, Value, Raw string }

type linkView struct {
	Title, Verdict string
	Facts          []fact
}

// describe puts the snapshot into words. still is how long the agent's time
// line has stood still; where the agent is not alive, the snapshot is that old.
func describe(s status.Snapshot, alive bool, still time.Duration, now time.Time) page {
	p := page{Relay: cmp.Or(s.Relay, "relay without a name"), Site: s.Site, AsOf: asOf(s)}
	up := s.Taken.Up
	if !alive {
		up += still
		p.Stuck = "The agent has decided nothing for " + about(still) + ". What follows is from then. Restart the agent."
	}
	for i := range s.Packs {
		p.Packs = append(p.Packs, describePack(&s.Packs[i], &s, up))
	}
	alarms := slices.Clone(s.Alarms)
	slices.SortStableFunc(alarms, func(a, b alarm.Active) int { return rank(a.Severity) - rank(b.Severity) })
	var said []bool
	p.Do, said = whatToDo(alarms, s, alive)
	for i, a := range alarms {
		v := describeAlarm(a, up, said[i], settled(a, alarms))
		p.Alarms = append(p.Alarms, v)
		for k := range p.Do.Lines {
			if l := &p.Do.Lines[k]; l.id == a.ID && said[i] {
				v.Ask = a.Acknowledged == nil
				l.Alarm = &v
			}
		}
	}
	p.Feed, p.Trouble, p.Fit = describeFeed(s), describeTrouble(s.Trouble), describeFit(s.Fit)
	for i := range s.Targets {
		p.Links = append(p.Links, describeLink(&s.Targets[i], now))
	}
	p.Agent = describeAgent(s)
	p.Way = describeWay(&s, now)
	p.Good = describeGood(s.Fit)
	p.Headline = headline(s, alarms)
	return p
}

func asOf(s status.Snapshot) string {
	switch {
	case s.Taken.Wall.IsZero():
		return "The agent has not looked yet."
	case !s.ClockSet:
		return "The board's clock is not set; it shows " + s.Taken.Wall.UTC().Format("2006-01-02 15:04:05") + " UTC."
	}
	asOf := "As of " + s.Taken.Wall.Local().Format("2006-01-02 ") + timeOfDay(s.Taken.Wall, "15:04:05")
	if keepsUTC(s.Taken.Wall) {
		asOf += " (the board's local time is UTC)"
	}
	return asOf + "."
}

// keepsUTC says whether the board's local time is UTC. The page says so, so that
// nobody takes it for the time on the wall.
func keepsUTC(t time.Time) bool {
	name, offset := t.Local().Zone()
	return offset == 0 && name == "UTC"
}

// timeOfDay gives the board's local time with UTC beside it.
func timeOfDay(t time.Time, layout string) string {
	utc := t.UTC().Format(layout) + " UTC"
	if keepsUTC(t) {
		return utc
	}
	return t.Local().Format(layout) + " local time (" + utc + ")"
}

func headline(s status.Snapshot, alarms []alarm.Active) string {
	off := terminalOff(&s)
	if off != "" {
		off += " "
	}
	if len(alarms) > 0 && rank(alarms[0].Severity) == 0 {
		return off + severityWord(alarms[0].Severity) + ": " + sentence(alarms[0].Title)
	}
	least, known := time.Duration(0), false
	for _, p := range s.Packs {
		if f := p.Forecast; f.Known && (!known || f.Cautious < least) {
			least, known = f.Cautious, true
		}
	}
	if !known {
		return off + "Time left not known"
	}
	words := off + sentenceStart(atLeast(least)) + " left"
	if off != "" {
		words += " at the present load"
	}
	return words
}
