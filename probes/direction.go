package probes

import "time"

// Direction is what a burst told of one direction alone: near to far, or back.
//
// It has no one-way delay, which cannot be told from the difference of two clocks
// that nobody synchronised. Delay variation can: the difference cancels, as long
// as the clocks drift apart by little during the burst.
type Direction struct {
	Sent, Lost int
	LossKnown  bool

	// The following are of one-way delays, and valid as in LatencyStats.
	Jitter         time.Duration // RFC 3550 section 6.4.1
	PDVP95         time.Duration // RFC 5481
	VariationKnown bool
	IPDVMeanAbs    time.Duration // RFC 3393
	IPDVKnown      bool
}

// LossInterval is the 95 % Wilson interval of the loss ratio of one direction.
func (d Direction) LossInterval() (low, high float64, ok bool) {
	if !d.LossKnown {
		return 0, 0, false
	}
	return Wilson(d.Lost, d.Sent, Z95)
}

// LossInterval is the 95 % Wilson interval of the loss ratio of round trips.
func (s LatencyStats) LossInterval() (low, high float64, ok bool) {
	return Wilson(s.Lost, s.Sent, Z95)
}

// RTTBounds are the upper bounds of the buckets in which round trips are counted.
// With the one above the last there are 16, whatever the link: few enough for a
// small board's metrics, fine enough to tell a wired hop, a wireless one, a low
// orbit and a geostationary one apart.
func RTTBounds() []time.Duration {
	const ms = time.Millisecond
	return []time.Duration{
		1 * ms, 2 * ms, 5 * ms, 10 * ms, 20 * ms, 30 * ms, 50 * ms, 75 * ms,
		100 * ms, 150 * ms, 200 * ms, 300 * ms, 500 * ms, 1000 * ms, 2000 * ms,
	}
}

// Histogram counts the round trips in each bucket of RTTBounds, a bound belonging
// to the bucket it closes; the last count is of those above the last bound. Lost
// packets are in none.
func (s LatencyStats) Histogram() []int {
	bounds := RTTBounds()
	counts := make([]int, len(bounds)+1)
	for _, rtt := range s.RTTs {
		i := 0
		for i < len(bounds) && rtt > bounds[i] {
			i++
		}
		counts[i]++
	}
	return counts
}
