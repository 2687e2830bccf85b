package handover

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"candlemark/agent/alarm"
	"candlemark/agent/plan"
	"candlemark/agent/status"
)

// order is what the most urgent open order asks for, with its time of day: the box says
// it before any forecast. It is "" without a critical alarm.
func order(in Input) string {
	if !in.Live {
		return ""
	}
	for _, e := range alarm.Catalogue() { // most urgent first
		for _, a := range in.Snapshot.Alarms {
			if a.Name != e.Name || a.Severity != alarm.Critical || a.Action == "" {
				continue
			}
			first, _ := alarm.Order(oneLine(a.Action))
			do := strings.ReplaceAll(strings.ToUpper(first), " MIN)", " min)")
			if by, _ := alarm.Order(oneLine(a.By)); by != "" {
				do += ", " + by
			}
			if a.Subject != "" && len(in.Snapshot.Packs) > 1 {
				do = shortName(a.Subject) + ": " + do
			}
			return do
		}
	}
	return ""
}

// feedOff is the terminal's feed while it is off.
func feedOff(in Input) (f status.Feed, off bool) {
	if !in.Live || in.Snapshot.Feed == nil {
		return f, false
	}
	return in.Snapshot.FeedOff(in.Snapshot.Feed.Pack)
}

func offWords(f status.Feed, in Input) string {
	switch {
	case !f.ChangeKnown:
		return "link is OFF until the pack is swapped, charged, or the operator switches it on"
	case !in.ClockSet:
		return "link is OFF for " + plan.Span(f.ChangeIn) + " more"
	}
	return "link is OFF until " + plan.Clock(in.Now.Add(f.ChangeIn), in.Now)
}

// power says how long the packs last, after what has to be done at once.
func (p *Page) power(in Input) {
	p.endurance(in)
	if do := order(in); do != "" {
		p.Endurance.Answer = do + "; " + p.Endurance.Answer
	}
}

func (p *Page) endurance(in Input) {
	for _, x := range in.Snapshot.Packs {
		p.Packs = append(p.Packs, packLine(x, in))
	}
	e := &p.Endurance
	if in.Duty != nil {
		s, err := in.Duty.Rotate()
		if err == nil {
			p.rotation(s, in)
			return
		}
		in.DutyWhy = err.Error()
	}
	if in.DutyWhy != "" {
		e.Basis = "the plan's packs were not used: " + oneLine(in.DutyWhy) + ". "
	}
	p.alone(in)
}

// rotation takes the answer from the packs on hand.
func (p *Page) rotation(s plan.Schedule, in Input) {
	e := &p.Endurance
	e.Answer = oneLine(s.Answer) + notKnown(in.Snapshot.Packs)
	off, gone := feedOff(in)
	if gone {
		e.Answer = offWords(off, in) + "; at the present load, terminal off, " + strings.Replace(e.Answer, "link stays up", "the packs last", 1)
	}
	if !in.ClockSet && !s.Sustained {
		e.Answer += clockless(s.UpLow.Sub(in.Now), s.UpExpected.Sub(in.Now))
	}
	e.Basis = fmt.Sprintf("measured load %.1f W with the packs on hand of the plan; an estimate, not a promise", s.LoadW)
	if !s.Sustained && !gone {
		e.UpLow, e.UpExpected = &s.UpLow, &s.UpExpected
	}
	e.NextSwap, e.GeneratorBy = s.NextSwap, s.GeneratorBy
	for _, x := range s.Swaps {
		text := fmt.Sprintf("at %s: %s in", orNot(x.Feed), orNot(x.In))
		if x.Out != "" {
			text = fmt.Sprintf("at %s: %s out, %s in; empty about %s", orNot(x.Feed), orNot(x.Out), orNot(x.In), both(x.Expected, in.Now))
		}
		e.Swaps = append(e.Swaps, Row{"", "by " + both(x.By, in.Now), text})
	}
	e.Advice = advice(s.Packs)
}

// advice gathers the packs with which somebody has to do something, those of one
// reason on one line; a pack to be kept from charging or use stands first.
func advice(all []plan.Advice) []Row {
	var first, then []Row
	for _, a := range all {
		if strings.HasPrefix(a.Why, "in use") || a.Why == "ready" {
			continue
		}
		list := &then
		if strings.Contains(a.Why, "do not") || strings.Contains(a.Why, "before charging") {
			list = &first
		}
		name, why := orNot(a.Pack), orNot(a.Why)
		if at := slices.IndexFunc(*list, func(r Row) bool { return r.Value == why }); at >= 0 {
			(*list)[at].Label += ", " + name
			continue
		}
		*list = append(*list, Row{"", name, why})
	}
	return append(first, then...)
}

// notKnown names the packs in use of which nobody can say how long they last.
func notKnown(packs []status.Pack) string {
	out := ""
	for _, x := range packs {
		if !x.Forecast.Known || x.Stale {
			out += ". Pack " + shortName(x.Name) + ": NOT KNOWN"
		}
	}
	return out
}

// clockless gives the time left as a length, which a wrong clock does not harm.
func clockless(low, expected time.Duration) string {
	return ". CLOCK NOT SET: in " + spread(low, expected)
}

// shortName keeps the frame with the answer whole, whatever a pack is called.
func shortName(name string) string { return clip(orNot(name), 24) }

// alone answers from the packs in use only: the link is up as long as all are.
func (p *Page) alone(in Input) {
	e := &p.Endurance
	low, expected := time.Duration(math.MaxInt64), time.Duration(math.MaxInt64)
	first := ""
	unknown := 0
	swapAhead := time.Duration(0)
	off, gone := feedOff(in)
	for _, x := range in.Snapshot.Packs {
		f := x.Forecast
		if !f.Known || x.Stale {
			unknown++
			continue
		}
		lasts, likely := f.Low, f.Expected
		if gone && off.AfterKnown && x.Name == off.Pack {
			lasts, likely = off.ChangeIn+off.After.Low, off.ChangeIn+off.After.Expected
		}
		if lasts < low {
			low, first, swapAhead = lasts, x.Name, x.Leads.ShutDown
		}
		expected = min(expected, likely)
	}
	if first == "" {
		e.Answer = "HOW LONG THE LINK STAYS UP: NOT KNOWN. Go by meter and clock"
		if gone {
			e.Answer = offWords(off, in) + "; how long the packs last: NOT KNOWN. Go by meter and clock"
		}
		e.Basis += "no pack has a known time left"
		return
	}
	upLow, upExpected := in.Now.Add(low), in.Now.Add(expected)
	swap := in.Now.Add(max(low-swapAhead, 0))
	e.NextSwap = &swap
	if !gone || off.AfterKnown {
		e.UpLow, e.UpExpected = &upLow, &upExpected
	}
	atLow, atExpected, atSwap := plan.Clock(upLow, in.Now), plan.Clock(upExpected, in.Now), plan.Clock(swap, in.Now)
	switch {
	case gone:
		until := "at the present load, terminal off, the packs in use last until"
		if off.AfterKnown {
			until = "back on, it stays up until"
		}
		e.Answer = fmt.Sprintf("%s; %s %s (low) / %s (expected); next swap at %s, pack %s%s", offWords(off, in), until, atLow, atExpected, atSwap, shortName(first), notKnown(in.Snapshot.Packs))
		if !in.ClockSet {
			e.Answer += clockless(low, expected)
		}
	case unknown > 0: // of the link nothing can be said: only of this pack
		e.Answer = fmt.Sprintf("Pack %s lasts until %s at the earliest (%s expected)%s", shortName(first), atLow, atExpected, notKnown(in.Snapshot.Packs))
		if !in.ClockSet {
			e.Answer += clockless(low, expected)
		}
		e.Answer += ". Next swap at " + atSwap
	default:
		e.Answer = fmt.Sprintf("link stays up until %s (low) / %s (expected) on the packs in use; next swap at %s, pack %s", atLow, atExpected, atSwap, shortName(first))
		if !in.ClockSet {
			e.Answer += clockless(low, expected)
		}
	}
	e.Basis += "measured by the agent; packs on hand are not recorded, so neither is when a generator must be here"
	if unknown > 0 {
		e.Basis += fmt.Sprintf("; %d other pack(s) without a known time left may end it sooner", unknown)
	}
}

func packLine(x status.Pack, in Input) Pack {
	out := Pack{Name: orNot(x.Name), Now: NotMeasured, Left: NotKnown, Charge: NotKnown, Note: ""}
	if x.ReadingKnown {
		out.Now = fmt.Sprintf("%.2f V, %.2f A, %.1f W", x.Reading.PackV, unsigned(x.Reading.PackA), unsigned(x.Reading.PackW()))
		out.Now += ", " + age(in.Snapshot.Taken.Up-x.ReadingUp)
	}
	f := x.Forecast
	switch {
	case f.Known && f.Expected == 0:
		out.Left = "at its cut-off"
	case f.Known:
		out.Left = fmt.Sprintf("%s (9 in 10: %s to %s) at %.1f W", plan.Span(f.Expected), plan.Span(f.Low), plan.Span(f.High), f.LoadW)
		if off, gone := in.Snapshot.FeedOff(x.Name); gone {
			out.Left += ", terminal off"
			if off.AfterKnown {
				out.Left += fmt.Sprintf("; back on, about %s more at %.1f W", plan.Span(off.After.Expected), off.After.MeanW)
			}
		}
	case f.Why != "":
		out.Left = NotKnown + ": " + oneLine(f.Why)
	}
	if f.ChargeKnown {
		out.Charge = fmt.Sprintf("%.0f %%", 100*f.ChargeRatio)
	}
	var notes []string
	if x.Stale {
		notes = append(notes, "STALE reading")
	}
	if x.Reading.Clipped {
		notes = append(notes, "current clipped: the true one is higher")
	}
	if x.LastError != "" {
		notes = append(notes, oneLine(x.LastError))
	}
	out.Note = strings.Join(notes, "; ")
	return out
}

func unsigned(x float64) float64 {
	if math.Abs(x) < 0.005 {
		return 0
	}
	return x
}
