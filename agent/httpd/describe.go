package httpd

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"candlemark/agent/alarm"
	"candlemark/agent/pack"
	"candlemark/agent/status"
)

// page is what the page says, in words and with units; the template adds none.
type page struct {
	Headline, Relay, Site, AsOf string
	Stuck                       string // why the page is old; "" when it is not
	Do                          []string
	Packs                       []packView
	Alarms                      []alarmView
	Links                       []linkView
	Agent                       []fact
}

type fact struct{ Name, Value string }

type packView struct {
	Name, State           string
	Left, Range, Cautious string // "" when not known
	LeftWhy               string
	Facts                 []fact
}

type alarmView struct {
	Severity                         alarm.Severity
	Word, Title, Action, Since, Name string
}

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
		p.Packs = append(p.Packs, describePack(&s.Packs[i], up))
	}
	alarms := slices.Clone(s.Alarms)
	slices.SortStableFunc(alarms, func(a, b alarm.Active) int { return rank(a.Severity) - rank(b.Severity) })
	for _, a := range alarms {
		p.Alarms = append(p.Alarms, describeAlarm(a, up))
	}
	p.Do = whatToDo(alarms, s, alive)
	for i := range s.Targets {
		p.Links = append(p.Links, describeLink(&s.Targets[i], now))
	}
	p.Agent = describeAgent(s)
	p.Headline = headline(s, alarms)
	return p
}

func asOf(s status.Snapshot) string {
	if s.Taken.Wall.IsZero() {
		return "The agent has not looked yet."
	}
	if !s.ClockSet {
		return "The board's clock is not set; it shows " + s.Taken.Wall.UTC().Format("2006-01-02 15:04:05") + " UTC."
	}
	local := s.Taken.Wall.Local()
	asOf := "As of " + local.Format("2006-01-02 15:04:05 MST")
	if _, offset := local.Zone(); offset != 0 {
		asOf += ", " + local.UTC().Format("15:04:05") + " UTC"
	}
	return asOf + "."
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
		return "Act now"
	case alarm.Warning:
		return "Act soon"
	}
	return "Know this"
}

// whatToDo is the most urgent alarm's actions; the rest is below in the list.
func whatToDo(alarms []alarm.Active, s status.Snapshot, alive bool) []string {
	var do []string
	if !alive {
		do = append(do, "Restart the agent: it hangs, and will not warn you.")
	}
	for _, a := range alarms {
		if a.Action != "" && rank(a.Severity) == rank(alarms[0].Severity) && !slices.Contains(do, a.Action) {
			do = append(do, a.Action)
		}
	}
	if len(do) > 0 {
		return do
	}
	for _, p := range s.Packs {
		if p.ReadingKnown && !p.Stale {
			return []string{"Nothing. No alarm is active."}
		}
	}
	return []string{"No alarm is active, but no pack is being read: do not rely on a warning from here."}
}

func headline(s status.Snapshot, alarms []alarm.Active) string {
	if len(alarms) > 0 && rank(alarms[0].Severity) == 0 {
		return severityWord(alarms[0].Severity) + ": " + alarms[0].Title
	}
	least, known := time.Duration(0), false
	for _, p := range s.Packs {
		if f := p.Forecast; f.Known && (!known || f.Expected < least) {
			least, known = f.Expected, true
		}
	}
	if !known {
		return "Time left not known"
	}
	return about(least) + " left"
}

func stateWords(s pack.State) string {
	switch s {
	case pack.Discharging:
		return "feeding the load"
	case pack.Charging:
		return "charging, or on mains"
	case pack.Resting:
		return "connected, next to no load"
	case pack.Absent:
		return "no pack there"
	}
	return "state not known"
}

func describePack(p *status.Pack, up time.Duration) packView {
	f := p.Forecast
	v := packView{Name: p.Name, State: stateWords(f.State)}
	if f.Known {
		v.Left = about(f.Expected)
		v.Range = "most likely between " + about(f.Low) + " and " + about(f.High) + " (9 times in 10)"
		v.Cautious = fmt.Sprintf("Warnings go by the cautious figure, %s: bring the next pack at %s, shut the terminal down at %s.",
			about(f.Cautious), about(p.Leads.NextPack), about(p.Leads.ShutDown))
	} else {
		v.LeftWhy = unknown(cmp.Or(f.Why, stateWords(f.State)))
	}
	v.Facts = append(v.Facts, readingFacts(p, up)...)
	if f.ChargeKnown {
		v.Facts = append(v.Facts, fact{"charge", fmt.Sprintf("%.0f %% above the cut-off", 100*f.ChargeRatio)})
	} else {
		v.Facts = append(v.Facts, fact{"charge", unknown(f.Why)})
	}
	if f.Known {
		v.Facts = append(v.Facts, fact{"cut-off", fmt.Sprintf("%.2f V at the pack, at %.1f W", f.CutoffV, f.LoadW)})
	}
	v.Facts = append(v.Facts, fact{"used", fmt.Sprintf("%.1f Wh since the agent started", p.DischargedJ/3600)})
	return v
}

func readingFacts(p *status.Pack, up time.Duration) []fact {
	if !p.ReadingKnown {
		return []fact{{"reading", unknown(cmp.Or(p.LastError, "no reading yet"))}}
	}
	r, age := p.Reading, about(up-p.ReadingUp)+" ago"
	if p.Stale {
		return []fact{
			{"reading", unknown(cmp.Or(p.LastError, "the sensor does not answer"))},
			{"last seen", fmt.Sprintf("%.2f V, %.2f A, %s", r.PackV, r.PackA, age)},
		}
	}
	current := fmt.Sprintf("%.2f A ± %.2f A", r.PackA, r.ErrA)
	if r.Clipped {
		current = fmt.Sprintf("at least %.2f A: clipped, beyond the sensor's range", r.PackA)
	}
	facts := []fact{
		{"voltage", fmt.Sprintf("%.2f V ± %.2f V", r.PackV, r.ErrV)},
		{"current", current},
		{"power", fmt.Sprintf("%.1f W ± %.1f W", r.PackW(), r.ErrW)},
	}
	if r.Clipped {
		facts[2].Value = fmt.Sprintf("at least %.1f W", r.PackW())
	}
	if r.TempKnown {
		facts = append(facts, fact{"temperature", fmt.Sprintf("%.0f °C", r.TempC)})
	}
	if r.SettingsFault {
		facts = append(facts, fact{"sensor", "reports that its settings do not fit this load"})
	}
	return append(facts, fact{"read", age + " by " + cmp.Or(p.SensorName, "a sensor without a name")})
}

func describeAlarm(a alarm.Active, up time.Duration) alarmView {
	return alarmView{
		Severity: a.Severity, Word: severityWord(a.Severity), Title: a.Title, Action: a.Action,
		Since: "Active for " + about(up-a.Raised.Up) + ".", Name: string(a.Name),
	}
}

func unknown(why string) string {
	if why == "" {
		return "unknown"
	}
	return "unknown — " + why
}
