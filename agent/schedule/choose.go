package schedule

import "time"

// Schedule chooses the next probe. It is not safe for concurrent use.
type Schedule struct{}

// New starts a schedule with nothing used.
func New(c Config) *Schedule { return &Schedule{} }

// Resume starts a schedule with the bytes that an earlier run had used.
func Resume(c Config, s Saved) *Schedule { return &Schedule{} }

// Due chooses the probe to start now; the caller must call Done when it ended.
// With ok false, wait says when to ask again at the latest.
func (s *Schedule) Due(in Inputs) (item Item, ok bool, wait time.Duration) {
	return Item{}, false, time.Minute
}

// Done ends the running probe and counts its bytes.
func (s *Schedule) Done(name string, up time.Duration, bytes int64) {}

// Held says why a probe is being held back, or "".
func (s *Schedule) Held(name string) string { return "" }

// UsedToday is the bytes used on the present day.
func (s *Schedule) UsedToday() int64 { return 0 }

// Save returns what Resume needs.
func (s *Schedule) Save() Saved { return Saved{} }

// Saved is the use of the data budget as plain data for JSON.
type Saved struct{}
