package handover

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"candlemark/agent/alarm"
	"candlemark/agent/pack"
)

// Above these a link is called weak: common practice for voice, no source.
const (
	weakLoss = 0.02
	weakRTT  = 300 * time.Millisecond
)

// weak gathers what is likely to fail next.
func (p *Page) weak(in Input, notes labelledNotes) {
	s := in.Snapshot
	add := func(format string, args ...any) { p.Weak = append(p.Weak, fmt.Sprintf(format, args...)) }
	p.Weak = append(p.Weak, notes.all("weak")...)
	if e := p.Endurance; e.UpLow != nil && in.Incident.To.After(in.Now) && e.UpLow.Before(in.Incident.To) {
		add("power may end at %s, before the operational period does", both(*e.UpLow, in.Now))
	}
	for _, x := range s.Packs {
		if x.Forecast.Known && slices.Contains(x.Forecast.Basis, pack.NoHistory) {
			add("pack %s was never measured before: its time left is wide", oneLine(x.Name))
		}
	}
	for _, k := range s.Known {
		if k.Verdict == pack.Tired || k.Verdict == pack.Retire {
			add("pack %s: %s", oneLine(k.Identity), k.Verdict)
		}
	}
	for _, t := range s.Targets {
		l := t.Last.Latency
		if l == nil {
			continue
		}
		if t.Sent > 0 && float64(t.Lost) > weakLoss*float64(t.Sent) {
			add("%s (%s) lost %d of %d since the agent started", oneLine(t.Name), section(t.Section), t.Lost, t.Sent)
		}
		if l.RTTKnown && l.P95 > weakRTT {
			add("%s answers slowly: 95 in 100 under %.0f ms", oneLine(t.Name), ms(l.P95))
		}
	}
	for _, r := range s.Receivers {
		if r.LastError != "" {
			add("alarms do not reach %s: %s", oneLine(r.Name), oneLine(r.LastError))
		}
	}
	if s.Journal.LastError != "" {
		add("the record is not being written: %s", oneLine(s.Journal.LastError))
	}
	if d := s.Data; d.BudgetPerDay > 0 && d.UsedToday*10 >= d.BudgetPerDay*9 {
		add("the data for today are nearly used: %s of %s", bytesText(float64(d.UsedToday)), bytesText(float64(d.BudgetPerDay)))
	}
	if d := s.Data; d.BudgetPerMonth > 0 && d.UsedMonth*10 >= d.BudgetPerMonth*9 {
		add("the data for this month are nearly used: %s of %s", bytesText(float64(d.UsedMonth)), bytesText(float64(d.BudgetPerMonth)))
	}
	if in.Incident.Recorded() && in.Incident.Alternate == "" {
		add("no alternate means is recorded")
	}
}

// unknown gathers what this page cannot tell.
func (p *Page) unknown(in Input, entries []Entry, notes labelledNotes) {
	s := in.Snapshot
	add := func(format string, args ...any) { p.NotKnown = append(p.NotKnown, fmt.Sprintf(format, args...)) }
	if !in.Live {
		add("the present state: no agent runs here, so this page is from the record alone")
	}
	if !in.ClockSet {
		add("the time: this board's clock is not set, so every time of day here may be wrong")
	}
	p.NotKnown = append(p.NotKnown, notes.all("unknown")...)
	for _, x := range s.Packs {
		switch {
		case !x.ReadingKnown:
			add("pack %s: never read", oneLine(x.Name))
		case x.Stale:
			add("pack %s: not read for %s", oneLine(x.Name), strings.TrimSuffix(age(s.Taken.Up-x.ReadingUp), " ago"))
		case !x.Forecast.Known:
			add("pack %s: time left%s", oneLine(x.Name), because(x.Forecast.Why))
		case !x.Reading.TempKnown:
			add("pack %s: its temperature", oneLine(x.Name))
		}
	}
	if in.Live && len(s.Packs) == 0 {
		add("every pack: none is configured")
	}
	if in.Duty == nil {
		why := in.DutyWhy
		if why == "" {
			why = "no plan with the stock was given"
		}
		add("spare packs and when a generator must be here: %s", oneLine(why))
	}
	down := false
	for _, t := range s.Targets {
		if !t.LastKnown {
			add("%s: never measured%s", oneLine(t.Name), because(t.NotRun+t.LastError))
		}
		if x := t.Last.Throughput; t.LastKnown && x != nil {
			down = down || x.DownKnown
		}
	}
	if in.Live && !down {
		add("how fast the link is: no throughput was measured")
	}
	if missing := missing(in.Incident); missing != "" {
		add("not recorded of the incident: %s", missing)
	}
	if k := s.Journal; k.Dropped > 0 {
		add("%d records were lost because they could not be written", k.Dropped)
	}
	if gap := gaps(entries); gap > 0 {
		add("%d numbers are missing in the record", gap)
	}
	if in.Earlier {
		add("what happened before the oldest record held")
	}
	if n := count(entries, "?"); n > 0 {
		add("when %d of the entries in the record really happened (marked ?)", n)
	}
	if slices.ContainsFunc(s.Alarms, func(a alarm.Active) bool { return a.Name == alarm.CurrentClipped }) {
		add("the true current: beyond the sensor's range")
	}
}

func because(why string) string {
	if why = oneLine(why); why == "" {
		return ""
	}
	return ", " + why
}

func missing(i Incident) string {
	if !i.Recorded() {
		return "everything; candlemark incident open begins one"
	}
	var out []string
	for _, f := range i.fields() {
		switch f.name {
		case "arrangement", "fed", "alternate": // said elsewhere
			continue
		}
		if *f.text == "" {
			out = append(out, f.name)
		}
	}
	if i.From.IsZero() {
		out = append(out, "operational period")
	}
	if i.People == 0 {
		out = append(out, "people")
	}
	return strings.Join(out, ", ")
}

// gaps counts sequence numbers missing between neighbours.
func gaps(entries []Entry) uint64 {
	var n uint64
	for k := 1; k < len(entries); k++ {
		if a, b := entries[k-1].Seq, entries[k].Seq; b > a+1 {
			n += b - a - 1
		}
	}
	return n
}

func count(entries []Entry, clock string) int {
	n := 0
	for _, e := range entries {
		if e.Clock == clock {
			n++
		}
	}
	return n
}
