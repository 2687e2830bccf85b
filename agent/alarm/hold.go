package alarm

import "time"

// verdict is what one look says of a condition.
type verdict int

const (
	no      verdict = iota
	unclear         // says nothing either way
	yes
)

// unless returns yes where the condition is met, else v.
func (v verdict) unless(met bool) verdict {
	if met {
		return yes
	}
	return v
}

// hold counts how long a condition has held, in time and in readings.
type hold struct {
	on        bool
	first     time.Duration // when it began to hold
	last      time.Duration // when it was last seen to hold
	mark      time.Duration // the reading it was last seen in
	confirmed bool          // a second reading agreed
}

// step takes one look and reports whether the condition has now held for need
// and in two readings at least; mark tells readings apart. An unclear look
// neither confirms nor ends a hold, unless it is all there is for pendingGap.
func (h *hold) step(v verdict, now, need, mark time.Duration) bool {
	if v == no || h.on && v == unclear && since(now, h.last) > pendingGap {
		*h = hold{}
		return false
	}
	if v == unclear {
		return false
	}
	if !h.on {
		*h = hold{on: true, first: now, mark: mark}
	}
	h.last = now
	if mark != h.mark {
		h.mark, h.confirmed = mark, true
	}
	return h.confirmed && since(now, h.first) >= need
}
