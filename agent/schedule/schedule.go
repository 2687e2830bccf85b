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
	MaxBytes int64         // the most one run may cost; 0 for latency probes, which the budget does not stop
}

// Config bounds the probing.
type Config struct {
	Items        []Item
	BytesPerDay  int64         // daily data budget; 0 is no limit
	ReserveBelow time.Duration // throughput probes stop when a pack's cautious remaining time is below this
	Seed         uint64        // jitter
}

// Inputs is what a decision rests on.
type Inputs struct {
	Up             time.Duration // agent's time line
	Day            string        // the budget's day, for example "2026-11-25"; "" while the clock is not set
	Remaining      time.Duration // least cautious remaining time over the discharging packs
	RemainingKnown bool
}
