package agent

import (
	"time"

	"candlemark/agent/alarm"
	"candlemark/agent/schedule"
	"candlemark/agent/status"
	"candlemark/probes"
	"candlemark/sensors"
)

// Event is something that happened. When tells where it stands on the agent's
// time line; events of one producer arrive in order, those of different
// producers may be a little out of order.
type Event interface {
	When() alarm.Instant
}

// Read is a good reading of one pack.
type Read struct {
	At      alarm.Instant // when the conversion ended
	Pack    string
	Reading sensors.Reading
	Counts  status.SensorCounts
}

// ReadFailed is a reading that could not be had.
type ReadFailed struct {
	At     alarm.Instant
	Pack   string
	Err    string
	Counts status.SensorCounts
}

// Probed is a finished probe.
type Probed struct {
	At     alarm.Instant
	Began  alarm.Instant
	Result probes.Result
}

// Tick is the passing of time, about once a second: what goes stale, falls due
// or must be saved is found then.
type Tick struct {
	At       alarm.Instant
	Day      string // local calendar day, for the data budget; "" while the clock is not set
	ClockSet bool   // the kernel says that the clock is synchronised
	// To the end of that day and of its month; 0 while the clock is not set.
	DayLeft, MonthLeft time.Duration
	// Moved is what forwarding used since the last tick, by part.
	Moved schedule.Bytes
	// LinkBytes counts all that passed over the board's way out; it may start anew.
	LinkBytes      uint64
	LinkBytesKnown bool
}

// Noted is an operator's note for the record.
type Noted struct {
	At   alarm.Instant
	Text string
	Who  string
}

func (e Read) When() alarm.Instant       { return e.At }
func (e ReadFailed) When() alarm.Instant { return e.At }
func (e Probed) When() alarm.Instant     { return e.At }
func (e Tick) When() alarm.Instant       { return e.At }
func (e Noted) When() alarm.Instant      { return e.At }
