package schedule

import (
	"time"

	"candlemark/probes"
)

// Item is one probe to run again and again.
type Item struct {
	Name     string // unique among the items
	Kind     probes.Kind
	Every    time.Duration // from start to start; 0 or less never runs
	MaxBytes int64         // the most one run may cost
	// Free says that its data stay on this side of the uplink and cost nothing.
	Free bool
}

// heavy says that a run loads the link: it spoils what others do there, and they
// spoil its figure.
func (i Item) heavy() bool { return i.Kind == probes.Throughput }

// cost is what a run may take from the budget.
func (i Item) cost() int64 {
	if i.Free {
		return 0
	}
	return max(i.MaxBytes, 0)
}

// Config bounds the probing.
type Config struct {
	Items        []Item
	Budget       Budget
	ReserveBelow time.Duration // heavy probes stop when a pack's cautious remaining time is below this
	Quiet        Quiet
	Seed         uint64 // jitter
}

// Inputs is what a decision rests on.
type Inputs struct {
	Up             time.Duration // agent's time line
	Day            string        // the budget's day, for example "2026-11-25"; "" while the clock is not set
	DayLeft        time.Duration // to the end of that day; 0 where it is not known
	MonthLeft      time.Duration // to the end of its month; 0 where it is not known
	Remaining      time.Duration // least cautious remaining time over the discharging packs
	RemainingKnown bool
	// EnergyRatio is the energy that the forecast still promises over that of the
	// full pack, 0..1, the least over the discharging packs.
	EnergyRatio float64
	EnergyKnown bool
}

// Start is a probe to start now.
type Start struct {
	Item
	Forced bool          // an operator asked for it
	Busy   string        // why the link is not quiet, where it starts all the same
	Waited time.Duration // for a quiet link
}

// The factor by which periods grow as the pack runs down.
const (
	stretchBelow = 0.5 // of the pack's energy left
	stretchMost  = 4
	stretchLight = 2 // and of light probes, which tell that the link is down
)

// Stretch is what periods are multiplied by: 1 while at least half of the pack's
// energy is left, then half over the ratio that is left, 4 at the most; a quarter
// left makes it 2. Light probes stop at 2.
func Stretch(energyRatio float64) float64 {
	if !(energyRatio < stretchBelow) {
		return 1
	}
	if energyRatio <= stretchBelow/stretchMost {
		return stretchMost
	}
	return stretchBelow / energyRatio
}
