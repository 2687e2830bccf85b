package alarm

import (
	"cmp"
	"slices"
	"time"
)

// Saved is a Machine's state as plain data for JSON. Holds that were only
// pending are not part of it.
type Saved struct {
	Next   uint64            `json:"next"`
	At     Instant           `json:"at"` // of the last step
	Alarms []SavedAlarm      `json:"alarms,omitempty"`
	Swaps  map[string]uint64 `json:"swaps,omitempty"` // by pack name
}

// SavedAlarm is one raised alarm.
type SavedAlarm struct {
	Active
	LoadW float64 `json:"load_w"` // load at the raising, W
}

// Save returns what Resume needs. It shares nothing with the machine.
func (m *Machine) Save() Saved {
	s := Saved{Next: m.next, At: m.now, Swaps: map[string]uint64{}}
	for _, t := range m.tracks {
		if t.active {
			s.Alarms = append(s.Alarms, SavedAlarm{t.alarm, t.loadW})
		}
	}
	slices.SortStableFunc(s.Alarms, func(a, b SavedAlarm) int {
		return cmp.Or(cmp.Compare(a.Name, b.Name), cmp.Compare(a.Subject, b.Subject))
	})
	for name, memo := range m.packs {
		if !memo.unfilled {
			s.Swaps[name] = memo.swaps
		}
	}
	return s
}

// Resume carries on from what an earlier run saved: alarms that were raised stay
// raised under their ids, and are judged anew by the first steps. Raised.Up is
// moved to the new run's time line, whose zero is its start; the time in between
// is unknown and taken as none, so Raised.Up is at or before 0. A pack swap that
// is recognised across the restart ends the pack's alarms where the caller kept
// PackInput.Swaps over it. Alarms of unknown name are dropped.
func Resume(startID string, s Saved) *Machine {
	m := New(startID)
	m.next = s.Next
	for name, swaps := range s.Swaps {
		// The time line begins at 0; a pack is watched from then on.
		m.packs[name] = &packMemo{swaps: swaps, watched: unset}
	}
	for _, a := range s.Alarms {
		e, known := m.entries[a.Name]
		k := key{a.Name, a.Subject}
		if !known || a.ID == "" || m.tracks[k] != nil {
			continue
		}
		if worse(e.Severity, a.Severity) {
			a.Acknowledged = nil
		}
		a.Severity = e.Severity
		a.Acknowledged = a.Acknowledged.resumed(s.At.Up)
		a.Raised.Up = -since(s.At.Up, a.Raised.Up)
		m.tracks[k] = &track{active: true, alarm: a.Active, loadW: a.LoadW, carried: true}
	}
	return m
}

// unset is later than any step, so that the first step puts its own time in its place.
const unset time.Duration = 1<<63 - 1
