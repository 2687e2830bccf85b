package feed

import (
	"math"
	"time"
)

// Saved is a Machine's state as plain data for JSON. Times left are counted from
// the moment of saving, which is given three ways.
type Saved struct {
	BootID   string        `json:"boot"`
	BootUp   time.Duration `json:"boot_up_ns"` // uptime of the board
	Wall     time.Time     `json:"wall"`
	ClockSet bool          `json:"clock_set"`

	Mode      Mode          `json:"mode"`
	On        bool          `json:"on"`
	Left      time.Duration `json:"left_ns,omitempty"` // to the return, or to the end of the phase
	Stage     Stage         `json:"stage,omitempty"`
	StageLeft time.Duration `json:"stage_left_ns,omitempty"`
	Schedule  *Schedule     `json:"schedule,omitempty"`
	Cause     Cause         `json:"cause"`
	Swaps     uint64        `json:"swaps"`
	Returns   int           `json:"returns_by_charge,omitempty"`
	Flat      bool          `json:"flat,omitempty"`
	Override  bool          `json:"override,omitempty"`
	OnW       float64       `json:"on_w,omitempty"` // the load as last measured, with the feed on
	OffW      float64       `json:"off_w,omitempty"`
}

// Save returns what Resume needs. It may be called at any time after the first
// step; the machine itself asks for it with every change.
func (m *Machine) Save() Saved {
	s := Saved{
		BootID: m.start.BootID, BootUp: m.start.BootUp + m.in.Now.Up, Wall: m.in.Now.Wall.Round(0), ClockSet: m.in.ClockSet,
		Mode: m.mode, On: m.on, Stage: m.stage, Cause: m.cause,
		Swaps: m.swaps, Returns: m.returns, Flat: m.flat, Override: m.override,
		OnW: m.loads.onW, OffW: m.loads.offW,
	}
	if !hasJSON(s.Wall) {
		s.Wall, s.ClockSet = time.Time{}, false
	}
	if !hasJSON(s.Cause.At.Wall) {
		s.Cause.At.Wall = time.Time{}
	}
	if m.mode == ModeOff || m.mode == ModeScheduled {
		s.Left = max(m.due-m.in.Now.Up, 0)
	}
	if m.unsure { // a second reboot must not forget what the first did not know
		s.BootID, s.BootUp, s.Wall, s.ClockSet = m.from.BootID, m.from.BootUp, m.from.Wall, m.from.ClockSet
		s.Left = max(m.from.Left-m.in.Now.Up, 0) // too short rather than too long, however often the agent restarts
	}
	if m.stage != StageNone {
		s.StageLeft = max(m.stageUp-m.in.Now.Up, 0)
	}
	if m.plan != nil {
		p := *m.plan
		s.Schedule = &p
	}
	return s
}

// plain is a saved load that may be used, or 0.
func plain(w float64) float64 {
	if !(w > 0) || math.IsInf(w, 0) {
		return 0
	}
	return w
}

// hasJSON says whether encoding/json takes t.
func hasJSON(t time.Time) bool { return t.Year() >= 0 && t.Year() <= 9999 }

func (m *Machine) save() { m.emit(Save{m.Save()}) }

// Resume carries on from what an earlier run saved. What can't be carried on
// under setup (a schedule that it would refuse, times beyond its limits) is
// shortened or left out, never lengthened.
func Resume(setup Setup, start Start, s Saved) *Machine {
	m := New(setup, start)
	m.swaps, m.swapsKnown = s.Swaps, true
	m.returns = min(max(s.Returns, 0), mostDoubling)
	m.flat, m.override = s.Flat, s.Override
	m.loads, m.switched = loads{plain(s.OnW), plain(s.OffW)}, true
	if s.Schedule != nil {
		if _, err := m.Offer(*s.Schedule); err == nil {
			p := *s.Schedule
			m.plan = &p
		}
	}
	s.Left = min(max(s.Left, 0), setup.LongestOff)
	gap, sure := start.BootUp-s.BootUp, start.BootID == s.BootID && start.BootID != ""
	sure = sure && gap >= 0
	if !sure {
		gap = 0
	}
	switch {
	case s.Mode == ModeShed, s.Mode == ModeOff:
		m.mode, m.on, m.cause = s.Mode, s.On, s.Cause
	case s.Mode == ModeScheduled && m.plan != nil:
		m.mode, m.on, m.cause = s.Mode, s.On, s.Cause
	case s.Mode == ModeOn:
		m.cause = s.Cause
	default: // a schedule that is no longer accepted, or nothing that was saved by this program
		return m
	}
	m.due = max(s.Left-gap, 0)
	switch {
	case s.Stage == StageClosing && s.On && m.mode != ModeOn:
		m.stage, m.stageUp = StageClosing, min(max(s.StageLeft-gap, 0), setup.closeFor())
		m.due = max(m.due, m.stageUp)
	case s.Stage == StageWarned && s.On && m.mode != ModeShed && m.mode != ModeOff:
		m.stage, m.stageUp = StageWarned, min(max(s.StageLeft-gap, 0), setup.WarnFor)
		if m.mode == ModeScheduled {
			m.due = m.plan.On
		}
	case s.On && (m.mode == ModeShed || m.mode == ModeOff):
		// Its cut was recorded nowhere: it was not made.
		m.mode, m.on = ModeOn, true
	case s.On && m.mode == ModeScheduled:
		m.due = m.plan.On // a fresh on phase: whoever waits for it may have missed the last
	}
	if !sure && (m.mode == ModeOff || m.mode == ModeScheduled && !m.on) {
		m.unsure, m.from = true, s
		m.due = max(m.stageUp, min(unjudged, s.Left))
	}
	return m
}
