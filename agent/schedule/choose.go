package schedule

import (
	"cmp"
	"math/rand/v2"
	"slices"
	"time"

	"candlemark/probes"
)

// Why a throughput probe is held back.
const (
	BudgetSpent  = "data budget spent"
	BelowReserve = "pack below reserve"
)

const (
	jitterShare  = 0.1              // of the period, either way
	firstWithin  = 2 * time.Minute  // first starts are spread over this at most
	recheckAfter = 10 * time.Minute // a held item is looked at again within this
	longestWait  = time.Minute      // budgets and the reserve are looked at this often
	shortestWait = 10 * time.Millisecond
	// longestPeriod bounds a period against overflow.
	longestPeriod = 366 * 24 * time.Hour
)

// Schedule chooses the next probe. It is not safe for concurrent use.
type Schedule struct {
	config  Config
	random  *rand.Rand
	entries []entry
	running int // index of the running entry, or none
	started bool
	now     time.Duration
	ledger  ledger
}

const none = -1

type entry struct {
	item Item
	next time.Duration // when it is due
	held string
}

// New starts a schedule with nothing used.
func New(c Config) *Schedule { return Resume(c, Saved{}) }

// Resume starts a schedule with the bytes that an earlier run had used.
func Resume(c Config, saved Saved) *Schedule {
	s := &Schedule{
		config:  c,
		random:  rand.New(rand.NewPCG(c.Seed, 0x9e3779b97f4a7c15)),
		running: none,
		ledger:  resumeLedger(saved),
	}
	for _, item := range c.Items {
		if item.Every > 0 {
			s.entries = append(s.entries, entry{item: item})
		}
	}
	return s
}

// Due chooses the probe to start now; the caller must call Done when it ended.
// With ok false, wait (10 ms to 1 min) says when to ask again at the latest; while a
// probe runs, ok is false. An Up that runs backwards is taken as standing still.
func (s *Schedule) Due(in Inputs) (item Item, ok bool, wait time.Duration) {
	s.advance(in)
	for i := range s.entries {
		s.entries[i].held = s.heldBy(s.entries[i].item, in)
	}
	if s.running != none {
		return Item{}, false, longestWait
	}

	best := none
	for i := range s.entries {
		e := &s.entries[i]
		if e.next > s.now {
			continue
		}
		if e.held != "" {
			e.next = s.now + s.jittered(min(e.item.Every, recheckAfter))
			continue
		}
		if best == none || s.before(e, &s.entries[best]) {
			best = i
		}
	}
	if best != none {
		e := &s.entries[best]
		e.next = s.now + s.jittered(e.item.Every)
		s.running = best
		return e.item, true, 0
	}

	wait = longestWait
	for _, e := range s.entries {
		wait = min(wait, e.next-s.now)
	}
	return Item{}, false, max(wait, shortestWait)
}

// Done ends the running probe and counts its bytes, whether it measured or not.
// Of a probe that is not running only the bytes count.
func (s *Schedule) Done(name string, up time.Duration, bytes int64) {
	s.now = max(s.now, up)
	s.ledger.add(bytes)
	if s.running != none && s.entries[s.running].item.Name == name {
		s.running = none
	}
}

// Held says why a probe is being held back as of the last Due, or "".
func (s *Schedule) Held(name string) string {
	for _, e := range s.entries {
		if e.item.Name == name {
			return e.held
		}
	}
	return ""
}

// UsedToday is the bytes used on the present day.
func (s *Schedule) UsedToday() int64 { return s.ledger.used() }

// advance moves to the time and the day of in, and spreads the first starts.
func (s *Schedule) advance(in Inputs) {
	s.now = max(s.now, in.Up)
	if !s.started {
		s.started, s.now = true, in.Up
		for i := range s.entries {
			spread := float64(min(s.entries[i].item.Every, firstWithin))
			s.entries[i].next = s.now + time.Duration(spread*s.random.Float64())
		}
	}
	s.ledger.turn(in.Day, s.now)
}

func (s *Schedule) heldBy(item Item, in Inputs) string {
	if item.Kind != probes.Throughput {
		return ""
	}
	if in.RemainingKnown && in.Remaining < s.config.ReserveBelow {
		return BelowReserve
	}
	if s.config.BytesPerDay > 0 && item.MaxBytes > s.config.BytesPerDay-min(s.ledger.used(), s.config.BytesPerDay) {
		return BudgetSpent
	}
	return ""
}

// before says whether due entry a goes before due entry b.
func (s *Schedule) before(a, b *entry) bool {
	return cmp.Or(cmp.Compare(s.turn(a), s.turn(b)), cmp.Compare(a.next, b.next)) < 0
}

// turn ranks a due entry: a starving transfer, then latency, then transfers.
func (s *Schedule) turn(e *entry) int {
	switch {
	case e.item.Kind == probes.Latency:
		return 1
	case s.now-e.next >= e.item.Every:
		return 0
	}
	return 2
}

func (s *Schedule) jittered(d time.Duration) time.Duration {
	j := time.Duration(float64(min(d, longestPeriod)) * (1 + jitterShare*(2*s.random.Float64()-1)))
	return max(j, 1)
}

// Saved is the use of the data budget as plain data for JSON, newest day last.
type Saved struct {
	Days []DayUse `json:"days,omitempty"`
}

// DayUse is what one day used.
type DayUse struct {
	Day   string `json:"day"`
	Bytes int64  `json:"bytes"`
}

// Save returns what Resume needs.
func (s *Schedule) Save() Saved { return Saved{Days: slices.Clone(s.ledger.days)} }
