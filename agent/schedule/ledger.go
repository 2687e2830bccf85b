package schedule

import (
	"math"
	"time"
)

const (
	daysKept = 8
	dayLong  = 24 * time.Hour
)

// ledger counts bytes by day. The present day is the last.
type ledger struct {
	days    []DayUse
	unnamed bool          // the last turn named no day
	since   time.Duration // when the present unnamed day began; valid where unnamed
}

func resumeLedger(saved Saved) ledger {
	var l ledger
	for _, d := range saved.Days {
		d.Bytes = max(d.Bytes, 0)
		l.open(d.Day)
		l.days[len(l.days)-1].Bytes = d.Bytes
	}
	return l
}

// turn makes day the present one. Without a name the day stays the one it was.
func (l *ledger) turn(day string, now time.Duration) {
	if day == "" {
		l.turnUnnamed(now)
		return
	}
	l.unnamed = false
	last := len(l.days) - 1
	if last >= 0 && l.days[last].Day == day {
		return
	}
	var carried int64
	if last >= 0 && l.days[last].Day == "" {
		carried = l.days[last].Bytes
		l.days = l.days[:last]
	}
	l.open(day)
	l.add(carried)
}

func (l *ledger) turnUnnamed(now time.Duration) {
	if !l.unnamed {
		l.unnamed, l.since = true, now
	}
	if now-l.since >= dayLong {
		l.since = now
		l.open("")
		l.days[len(l.days)-1].Bytes = 0
	}
}

// open moves a day that is known to the end, or begins it, and forgets the oldest.
func (l *ledger) open(day string) {
	use := DayUse{Day: day}
	kept := make([]DayUse, 0, daysKept+1)
	for _, d := range l.days {
		if d.Day == day {
			use = d
		} else {
			kept = append(kept, d)
		}
	}
	kept = append(kept, use)
	l.days = kept[max(len(kept)-daysKept, 0):]
}

// add counts bytes on the present day, and does not overflow.
func (l *ledger) add(bytes int64) {
	if len(l.days) == 0 {
		l.open("")
	}
	d := &l.days[len(l.days)-1]
	d.Bytes += min(max(bytes, 0), math.MaxInt64-d.Bytes)
}

func (l *ledger) used() int64 {
	if len(l.days) == 0 {
		return 0
	}
	return l.days[len(l.days)-1].Bytes
}
