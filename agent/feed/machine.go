package feed

import (
	"fmt"
	"time"

	"candlemark/agent/alarm"
	"candlemark/agent/pack"
)

// Machine decides. It has no clock and does nothing; it is not safe for concurrent use.
type Machine struct {
	setup   Setup
	start   Start
	in      Inputs // of the newest step
	started bool
	out     []Effect

	mode  Mode
	on    bool // the feed has power, or should have
	stage Stage
	// stageUp ends the stage. due is the return time of ModeOff and the end of
	// the present phase of ModeScheduled.
	stageUp, due time.Duration
	restUp       time.Duration // the feed may not return before: a terminal needs a real gap to start anew
	plan         *Schedule     // goes on after an off or a shedding
	cause        Cause         // of the present mode

	unsure bool // how long the agent was away is not known
	from   Saved

	swaps      uint64
	swapsKnown bool
	low        hold
	charge     hold
	empty      hold
	returns    int  // by charge, since the last swap or operator's word
	flat       bool // the pack was seen at its cut-off
	override   bool // the operator wants the feed on below the reserve
	cuts       Cuts

	loads      loads
	switched   bool          // in this run, or nobody knows when before it
	switchedUp time.Duration // when last; valid where switched
}

// New starts with the feed on: a first start finds people waiting for the link.
func New(setup Setup, start Start) *Machine {
	return &Machine{setup: setup, start: start, mode: ModeOn, on: true,
		cause: Cause{Who: Agent, Why: "nobody has switched it yet"}}
}

// Step decides. The first step says in any case how the feed is to be, since
// nobody knows what was left behind.
func (m *Machine) Step(in Inputs) []Effect {
	m.out = nil
	first := !m.started
	if m.started {
		in.Now.Up = max(in.Now.Up, m.in.Now.Up)
	}
	clockCame := m.started && in.ClockSet && !m.in.ClockSet
	m.in, m.started = in, true

	swapped := m.swapsKnown && in.Swaps != m.swaps
	m.swaps, m.swapsKnown = in.Swaps, true
	m.learnLoad()
	charged := m.watch(swapped)
	m.findTime()
	switch {
	case swapped:
		m.relieve("pack swapped")
	case charged:
		m.relieve("the pack has been charged for " + words(m.chargeNeed()))
	}
	m.advance()
	if first {
		m.settle()
	}
	if clockCame && !m.on {
		m.save() // a return time with a wall clock that can be believed survives a reboot
	}
	return m.out
}

// watch takes the pack's state in, and reports whether it has been charged for long enough.
func (m *Machine) watch(swapped bool) bool {
	if swapped {
		m.low, m.charge, m.empty = hold{}, hold{}, hold{}
		m.flat, m.override, m.returns = false, false, 0
	}
	f, now := m.in.Forecast, m.in.Now.Up
	charging := unclear
	if m.fresh() && f.State != pack.Unknown && f.State != "" {
		charging = verdict(f.State == pack.Charging)
	}
	charged := m.charge.step(charging, now, m.chargeNeed(), m.in.ReadingUp)
	empty := unclear
	if m.fresh() && f.State == pack.Discharging && f.Known {
		empty = verdict(f.Expected <= 0)
	}
	if m.empty.step(empty, now, lowHold, m.in.ReadingUp) {
		m.flat = true
	}
	if charged {
		m.flat, m.override = false, false
	}
	return charged
}

func (m *Machine) chargeNeed() time.Duration { return chargeHold << min(m.returns, mostDoubling) }

func (m *Machine) fresh() bool {
	return m.in.Seen && m.in.Now.Up-m.in.ReadingUp <= m.in.StaleAfter
}

// settle puts the switch where it belongs after a start, unless that was just
// decided anew.
func (m *Machine) settle() {
	for _, e := range m.out {
		switch e.(type) {
		case Set, Advise:
			return
		}
	}
	if m.stage == StageClosing {
		// The shutdown may have died with the agent that began it.
		m.emit(RunHook{HookShutdown, m.mine("the agent restarted during the terminal's shutdown")})
	}
	if m.setup.Switched || !m.on { // that nothing needs switching is no advice
		m.emit(Set{m.on, m.mine("the agent started; " + m.cause.Why)})
	}
}

// findTime ends the doubt about the return time once the clock is known.
func (m *Machine) findTime() {
	if !m.unsure || !m.in.ClockSet || !m.from.ClockSet {
		return
	}
	gap := m.in.Now.Wall.Sub(m.from.Wall)
	if gap < 0 {
		return // one of the two was wrong
	}
	m.unsure = false
	m.due = m.in.Now.Up + max(m.from.Left-gap, 0)
	m.save()
}

// relieve ends a shedding.
func (m *Machine) relieve(why string) {
	switch {
	case m.stage == StageWarned:
		m.stage, m.low, m.cause = StageNone, hold{}, m.mine(why)
		m.note(m.cause, "shedding called off: "+why)
	case m.mode != ModeShed:
	case m.stage == StageClosing:
		m.turnOver(m.mine(why))
	default:
		if why != "pack swapped" {
			m.returns++
		}
		m.restore(m.mine(why))
	}
}

// turnOver makes the cut that was begun a short one.
func (m *Machine) turnOver(c Cause) {
	m.mode, m.cause, m.unsure = ModeOff, c, false
	m.due = m.stageUp + restFor
	m.note(c, fmt.Sprintf("the feed is cut in %s and returns %s later, because the terminal was told to shut down: %s",
		words(m.stageUp-m.in.Now.Up), words(restFor), c.Why))
}

// advance does what is due.
func (m *Machine) advance() {
	now := m.in.Now.Up
	switch {
	case m.stage == StageClosing:
		if now >= m.stageUp {
			m.cut()
		}
	case m.stage == StageWarned:
		if now >= m.stageUp || m.mode == ModeScheduled && now >= m.due-m.setup.closeFor() {
			m.close(ModeShed, m.cause)
		}
	case m.on:
		m.advanceOn(now)
	case m.mode == ModeOff, m.mode == ModeScheduled:
		m.advanceOff(now)
	}
}

func (m *Machine) advanceOn(now time.Duration) {
	if m.mode == ModeScheduled && now >= m.due-m.setup.closeFor() {
		m.close(ModeScheduled, m.mine("schedule: "+m.plan.String()))
		return
	}
	why, v := m.atReserve()
	if !m.low.step(v, now, lowHold, m.in.ReadingUp) {
		return
	}
	m.low = hold{}
	m.warn(why)
}

func (m *Machine) advanceOff(now time.Duration) {
	why, v := m.atReserve()
	back := "its return time has come"
	switch {
	case now < m.restUp, !m.unsure && now < m.due:
		return
	case m.unsure && v == unclear && now < m.due:
		return // due is then the end of the wait for a forecast
	case m.unsure && v == unclear:
		back = "its return time may have passed while the board was off, and the pack cannot be judged"
	case m.unsure:
		back = "its return time may have passed while the board was off"
	}
	m.unsure = false
	if v == yes {
		m.mode, m.cause = ModeShed, m.mine(why)
		m.note(m.cause, "the feed stays off although "+back+": "+why+"; "+returnsOn)
		return
	}
	m.restore(m.mine(back))
}

const returnsOn = "it returns on a pack swap, on charge or by the operator"

// mine is a cause of the agent's own.
func (m *Machine) mine(why string) Cause { return Cause{At: m.in.Now, Who: Agent, Why: why} }

// warn announces a shedding. The warning leaves time for the shutdown.
func (m *Machine) warn(why string) {
	c := m.mine(why)
	m.cause = c
	wait := m.setup.WarnFor
	if f := m.in.Forecast; f.Known {
		wait = min(wait, max(f.Cautious-m.setup.closeFor(), 0))
	}
	if wait == 0 {
		m.close(ModeShed, c)
		return
	}
	m.stage, m.stageUp = StageWarned, m.in.Now.Up+wait
	cutIn := wait + m.setup.closeFor()
	text := fmt.Sprintf("the terminal's feed will be cut in %s: %s", words(cutIn), why)
	m.note(c, text)
	m.emit(Warn{cutIn, text, c})
}

// close begins a cut: the hook first, where there is one.
func (m *Machine) close(to Mode, c Cause) {
	m.mode, m.cause = to, c
	m.stage, m.stageUp = StageClosing, m.in.Now.Up+m.setup.closeFor()
	if m.setup.closeFor() == 0 {
		m.cut()
		return
	}
	m.note(c, fmt.Sprintf("the terminal is told to shut down; its feed is cut in %s: %s", words(m.setup.closeFor()), c.Why))
	m.emit(RunHook{HookShutdown, c})
}

func (m *Machine) cut() {
	m.stage = StageNone
	m.turned(false)
	m.low, m.restUp = hold{}, m.in.Now.Up+restFor
	back := returnsOn
	switch m.mode {
	case ModeShed:
		m.cuts.Shed++
	case ModeScheduled:
		m.cuts.Schedule++
		m.due = m.in.Now.Up + m.plan.Every - m.plan.On
		back = "it returns in " + words(m.due-m.in.Now.Up)
	case ModeOff:
		m.cuts.Request++
		back = "it returns in " + words(m.due-m.in.Now.Up)
	}
	m.note(m.cause, "feed off: "+m.cause.Why+"; "+back)
	m.emit(Set{false, m.cause})
}

func (m *Machine) restore(c Cause) {
	if now := m.in.Now.Up; now < m.restUp {
		m.mode, m.cause, m.unsure, m.due = ModeOff, c, false, m.restUp
		m.note(c, "the feed returns in "+words(m.restUp-now)+": "+c.Why)
		return
	}
	m.stage, m.unsure, m.cause = StageNone, false, c
	m.turned(true)
	m.mode = ModeOn
	if m.plan != nil {
		m.mode, m.due = ModeScheduled, m.in.Now.Up+m.plan.On
	}
	m.low = hold{}
	m.note(c, "feed on: "+c.Why)
	m.emit(Set{true, c})
}

// note saves and records, in this order.
func (m *Machine) note(c Cause, text string) {
	m.save()
	m.emit(Record{text, c})
}

// emit turns switching into advice where nothing can be switched.
func (m *Machine) emit(e Effect) {
	set, is := e.(Set)
	if !is || m.setup.Switched {
		m.out = append(m.out, e)
		return
	}
	text := "switch the terminal's feed off by hand: "
	if set.On {
		text = "the terminal's feed may be on; switch it on by hand if it is off: "
	}
	m.out = append(m.out, Advise{On: set.On, Text: text + set.Why, Cause: set.Cause})
}

// HookEnded takes the end of a hook into the record; fault is "" where it ended well.
func (m *Machine) HookEnded(at alarm.Instant, name, fault string) []Effect {
	if fault == "" {
		return report(at, "hook "+name+" ended well")
	}
	return report(at, "hook "+name+" went wrong, and the cut is made all the same: "+fault)
}

// Switched takes into the record that the switch did not obey, or does again.
func (m *Machine) Switched(at alarm.Instant, fault string) []Effect {
	if fault == "" {
		return report(at, "the feed's switch obeys again")
	}
	return report(at, "the feed's switch does not obey: "+fault)
}

func report(at alarm.Instant, text string) []Effect {
	return []Effect{Record{text, Cause{At: at, Who: Agent, Why: text}}}
}
