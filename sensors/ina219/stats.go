package ina219

import "sync/atomic"

// Stats counts what went wrong with a sensor since it was made.
type Stats struct {
	Errors     uint64 // failed exchanges and impossible values, those that a retry mended too
	Repairs    uint64 // times the chip had lost its settings (a brown-out) and got them again
	Reconnects uint64 // times the sensor answered after a Read that had failed
}

type counters struct {
	errors, repairs, reconnects atomic.Uint64
}

// Stats returns the counts so far. Any goroutine may call it.
func (d *Device) Stats() Stats {
	return Stats{
		Errors:     d.count.errors.Load(),
		Repairs:    d.count.repairs.Load(),
		Reconnects: d.count.reconnects.Load(),
	}
}
