package alarm

import (
	"fmt"
	"time"

	"candlemark/agent/pack"
)

// packMemo is what one pack looked like at the last step.
type packMemo struct {
	watched  time.Duration // since when the pack is watched
	swaps    uint64
	unfilled bool // swaps is not yet known
}

func (m *Machine) stepPacks(packs []PackInput) {
	seen := map[string]bool{}
	for _, p := range packs {
		if seen[p.Name] {
			continue
		}
		seen[p.Name] = true
		m.stepPack(p)
	}
	for name := range m.packs {
		if !seen[name] {
			delete(m.packs, name)
		}
	}
}

func (m *Machine) stepPack(p PackInput) {
	memo := m.packs[p.Name]
	if memo == nil {
		memo = &packMemo{watched: m.now.Up, unfilled: true}
		m.packs[p.Name] = memo
	}
	// A count that fell was started anew; what happened before is not known.
	swapped := !memo.unfilled && p.Swaps > memo.swaps
	memo.swaps, memo.unfilled = p.Swaps, false
	if memo.watched > m.now.Up {
		memo.watched = m.now.Up
	}

	age := since(m.now.Up, memo.watched)
	if p.Seen {
		age = since(m.now.Up, p.ReadingUp)
	}
	stale := p.StaleAfter > 0 && age >= p.StaleAfter
	fresh := p.Seen && !stale

	m.stepLead(BringNextPack, p, p.Leads.NextPack, fresh, swapped)
	m.stepLead(ShutTerminalDown, p, p.Leads.ShutDown, fresh, swapped)
	m.stepCutoff(p, fresh, swapped)
	m.stepStale(p, age, stale)
	m.stepClipped(p, fresh)
}

// stepLead decides on an alarm that compares the cautious time with a lead time.
func (m *Machine) stepLead(n Name, p PackInput, lead time.Duration, fresh, swapped bool) {
	t := m.track(n, p.Name)
	f := p.Forecast
	if m.endsAtOnce(t, p, fresh, swapped) {
		return
	}
	if t.active {
		m.clearWhenRecovered(t, p, lead, fresh)
		return
	}
	v, mark := unclear, p.ReadingUp
	silent := time.Duration(0)
	switch {
	case lead <= 0 || f.State == pack.Charging || f.State == pack.Absent:
		v = no
	case usable(f, fresh):
		v = no.unless(f.Cautious <= lead)
	case usable(f, p.Seen):
		// Nobody looks at the pack, but it goes on being drained: by the clock then.
		silent = since(m.now.Up, p.ReadingUp)
		if f.Cautious-silent <= lead {
			v, mark = yes, m.now.Up
		}
	}
	if !t.raise.step(v, m.now.Up, packRaiseHold, mark) {
		return
	}
	t.loadW = f.LoadW
	m.noteFigure(t, f)
	t.action, t.by = m.order(n, p, f.Cautious-silent, true)
	if silent > 0 {
		m.raise(t, fmt.Sprintf("not measured for %s; counted on by the clock from %s", Exact(silent), t.figure),
			fmt.Sprintf("less the %s without a good reading, the cautious time left is within the lead time of %s: %s%s", Exact(silent), Exact(lead), figure(f), unfamiliar(f)))
		return
	}
	m.raise(t, t.figure, fmt.Sprintf("the cautious time left is within the lead time of %s: %s%s", Exact(lead), figure(f), unfamiliar(f)))
}

// stepCutoff decides on pack_at_cutoff; it follows shut_terminal_down, which it looks at.
func (m *Machine) stepCutoff(p PackInput, fresh, swapped bool) {
	t := m.track(PackAtCutoff, p.Name)
	f := p.Forecast
	if m.endsAtOnce(t, p, fresh, swapped) {
		return
	}
	if t.active {
		m.clearWhenRecovered(t, p, p.Leads.ShutDown, fresh)
		return
	}
	// A pack that vanished is held longer than one seen at its cut-off, because a
	// swap under way looks the same. Both go through the one hold.
	v, need := unclear, packRaiseHold
	switch {
	case f.State == pack.Charging:
		v = no
	case f.State == pack.Absent:
		v, need = no.unless(fresh && m.track(ShutTerminalDown, p.Name).active), absentHold
	case usable(f, fresh):
		v = no.unless(f.Expected <= 0)
	}
	if !t.raise.step(v, m.now.Up, need, p.ReadingUp) {
		return
	}
	t.loadW = f.LoadW
	if f.State == pack.Absent {
		m.raise(t, "no voltage is measured any more; it has switched itself off or was taken out",
			"no pack has been seen for "+Exact(absentHold)+" while shut_terminal_down is raised")
		return
	}
	m.raise(t, cutoffDetail(f), fmt.Sprintf("%s, and no reading for at least %s has said otherwise", cutoffDetail(f), Exact(packRaiseHold)))
}

func cutoffDetail(f pack.Forecast) string {
	return fmt.Sprintf("no time is left at %.1f W (cut-off %.1f V under load)", f.LoadW, f.CutoffV)
}

// endsAtOnce handles what ends a pack's alarm without any hold, and reports
// whether the alarm is done with in this step.
func (m *Machine) endsAtOnce(t *track, p PackInput, fresh, swapped bool) bool {
	why := ""
	switch {
	case swapped:
		why = "the pack was swapped"
	case fresh && p.Forecast.State == pack.Charging:
		why = "the pack is charging or held up by mains"
	default:
		return false
	}
	t.raise = hold{}
	if t.active {
		m.clear(t, why)
	}
	return true
}

// clearWhenRecovered ends a raised alarm when the pack itself has more to give,
// which a pack without its load does not show.
func (m *Machine) clearWhenRecovered(t *track, p PackInput, lead time.Duration, fresh bool) {
	f := p.Forecast
	ok := usable(f, fresh) && f.LoadW >= loadGone*t.loadW && float64(f.Cautious) > clearFactor*float64(lead)
	if t.clear.step(no.unless(ok), m.now.Up, packClearHold, p.ReadingUp) {
		level := Exact(time.Duration(clearFactor * float64(lead)))
		m.clear(t, fmt.Sprintf("the cautious time left, %s, has stayed above %s (1.5 × the lead time) for %s of discharging",
			pack.Left(f.Cautious), level, Exact(packClearHold)))
		return
	}
	if t.alarm.Name == PackAtCutoff {
		return
	}
	t.alarm.Action, t.alarm.By = m.order(t.alarm.Name, p, f.Cautious-since(m.now.Up, p.ReadingUp), usable(f, p.Seen))
	if usable(f, fresh) {
		m.noteFigure(t, f)
		m.retitle(t, t.figure)
	} else if t.figure != "" {
		m.retitle(t, fmt.Sprintf("%s; %s ago it was %s", notKnown(f), Exact(since(m.now.Up, t.figUp)), t.figure))
	}
}

func (m *Machine) noteFigure(t *track, f pack.Forecast) {
	t.figure, t.figUp = figure(f), m.now.Up
	if m.feed != nil && m.feed.off(t.alarm.Subject) {
		t.figure += ", the present load, terminal off"
	}
}

// usable says whether a forecast may be compared with a level.
func usable(f pack.Forecast, fresh bool) bool {
	return fresh && f.Known && f.State == pack.Discharging
}

func (m *Machine) stepStale(p PackInput, age time.Duration, stale bool) {
	t := m.track(SensorStale, p.Name)
	switch {
	case stale && !t.active:
		m.raise(t, staleDetail(p, age), fmt.Sprintf("no good reading for %s (stale_after is %s)", Exact(age), Exact(p.StaleAfter)))
	case t.active && t.clear.step(no.unless(p.Seen && !stale), m.now.Up, freshHold, p.ReadingUp):
		m.clear(t, "readings have been good again for "+Exact(freshHold))
	case stale:
		m.retitle(t, staleDetail(p, age))
	}
}

func staleDetail(p PackInput, age time.Duration) string {
	if !p.Seen {
		return fmt.Sprintf("no good reading since it was first asked %s ago", Exact(age))
	}
	detail := fmt.Sprintf("the last good reading is %s old", Exact(age))
	if p.Forecast.Known {
		detail += fmt.Sprintf("; the last forecast gave %s", about(p.Forecast.Expected))
	}
	return detail
}

// stepClipped goes by fresh readings only: silence says nothing about clipping.
func (m *Machine) stepClipped(p PackInput, fresh bool) {
	t := m.track(CurrentClipped, p.Name)
	raise, clear := unclear, unclear
	if fresh {
		raise, clear = no.unless(p.Clipped), no.unless(!p.Clipped)
	}
	switch {
	case !t.active && t.raise.step(raise, m.now.Up, clipRaiseHold, p.ReadingUp):
		m.raise(t, "the reading is a lower bound", "every reading for "+Exact(clipRaiseHold)+" was clipped")
	case t.active && t.clear.step(clear, m.now.Up, clipClearHold, p.ReadingUp):
		m.clear(t, "no reading for "+Exact(clipClearHold)+" was clipped")
	}
}
