package schedule

import (
	"math"
	"time"
)

const (
	daysKept   = 8
	monthsKept = 3
	dayLong    = 24 * time.Hour
	monthLong  = 31 * dayLong
)

// Part is who uses data.
type Part int

const (
	Probing    Part = iota // probes of the uplink
	Sending                // metrics sent on as they are gathered
	CatchingUp             // metrics sent on late
)

// Bytes are data by who used them.
type Bytes struct {
	Probing    int64 `json:"probing"`
	Sending    int64 `json:"sending"`
	CatchingUp int64 `json:"catching_up"`
}

// Total of all parts.
func (b Bytes) Total() int64 { return sum(sum(b.Probing, b.Sending), b.CatchingUp) }

func (b *Bytes) add(p Part, n int64) {
	to := map[Part]*int64{Probing: &b.Probing, Sending: &b.Sending, CatchingUp: &b.CatchingUp}[p]
	*to = sum(*to, n)
}

// sum of what is not negative, without overflow.
func sum(a, b int64) int64 {
	a, b = max(a, 0), max(b, 0)
	return a + min(b, math.MaxInt64-a)
}

// Use is what one day or month used.
type Use struct {
	Period string `json:"period"` // "2026-11-25", or "2026-11"
	Bytes
	Energy Energy `json:"energy,omitzero"` // of a day
}

// ledger counts use by day or by month. The present one is the last.
type ledger struct {
	uses    []Use
	keep    int
	long    time.Duration // of a period without a name
	unnamed bool          // the last turn named none
	since   time.Duration // when the present unnamed period began; valid where unnamed
}

func newLedger(keep int, long time.Duration, saved []Use) ledger {
	l := ledger{keep: keep, long: long}
	for _, u := range saved {
		l.open(u.Period)
		kept := l.now()
		*kept = Use{Period: u.Period, Energy: u.Energy.sound()}
		kept.Probing, kept.Sending, kept.CatchingUp = max(u.Probing, 0), max(u.Sending, 0), max(u.CatchingUp, 0)
	}
	return l
}

// turn makes the period of that name the present one. Without a name it stays the
// one it was.
func (l *ledger) turn(name string, now time.Duration) {
	if name == "" {
		l.turnUnnamed(now)
		return
	}
	l.unnamed = false
	last := len(l.uses) - 1
	if last >= 0 && l.uses[last].Period == name {
		return
	}
	var carried Use
	if last >= 0 && l.uses[last].Period == "" {
		carried = l.uses[last]
		l.uses = l.uses[:last]
	}
	l.open(name)
	u := l.now()
	u.Probing, u.Sending, u.CatchingUp = sum(u.Probing, carried.Probing), sum(u.Sending, carried.Sending), sum(u.CatchingUp, carried.CatchingUp)
	u.Energy.join(carried.Energy)
}

func (l *ledger) turnUnnamed(now time.Duration) {
	if !l.unnamed {
		l.unnamed, l.since = true, now
	}
	if now-l.since >= l.long {
		l.since = now
		l.open("")
		*l.now() = Use{}
	}
}

// open moves a period that is known to the end, or begins it, and forgets the oldest.
func (l *ledger) open(name string) {
	use := Use{Period: name}
	kept := make([]Use, 0, l.keep+1)
	for _, u := range l.uses {
		if u.Period == name {
			use = u
		} else {
			kept = append(kept, u)
		}
	}
	kept = append(kept, use)
	l.uses = kept[max(len(kept)-l.keep, 0):]
}

// now is the present period's use.
func (l *ledger) now() *Use {
	if len(l.uses) == 0 {
		l.open("")
	}
	return &l.uses[len(l.uses)-1]
}
