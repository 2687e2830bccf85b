// Package schedule decides when to probe. (Package comment to be completed by its author.)
package schedule

import (
	"time"

	"candlemark/probes"
)

// Item is one probe to run again and again.
type Item struct {
	Name     string
	Kind     probes.Kind
	Every    time.Duration
	MaxBytes int64 // the most one run may cost; 0 for latency probes, which the budget does not stop
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
	Day            string        // the budget's day, for example "2026-11-25"; a change resets the count
	Remaining      time.Duration // least cautious remaining time over the discharging packs
	RemainingKnown bool
}
