package latency

import (
	"cmp"
	"math"
	"slices"
	"time"

	"candlemark/probes"
)

// Outcome is what became of one packet.
type Outcome struct {
	Sent     time.Duration // when, from the start of the burst
	RTT      time.Duration // meaningless unless Answered
	Answered bool
}

// Summarize describes a burst whose outcomes are in the order sent.
//
// Min, median and 95th percentile are of the answered packets alone (RFC 2681
// also allows a lost packet to count as infinitely late; here the loss is stated
// beside them instead). Everything it cannot know it leaves unknown.
func Summarize(method string, outcomes []Outcome) probes.LatencyStats {
	s := probes.LatencyStats{Method: method, Sent: len(outcomes)}
	for _, o := range outcomes {
		if o.Answered {
			s.RTTs = append(s.RTTs, o.RTT)
		}
	}
	s.Lost = s.Sent - len(s.RTTs)
	if len(s.RTTs) == 0 {
		return s
	}
	sorted := slices.Sorted(slices.Values(s.RTTs))
	s.RTTKnown = true
	s.Min, s.Median, s.P95 = sorted[0], median(sorted), percentile(sorted, 95)
	if len(s.RTTs) >= 2 {
		s.VariationKnown = true
		s.Jitter = jitter(inOrderOfArrival(outcomes))
		s.PDVP95 = percentile(delayAboveLeast(sorted), 95)
	}
	if pairs := ipdv(outcomes); len(pairs) > 0 {
		s.IPDVKnown = true
		s.IPDVMeanAbs = meanAbs(pairs)
	}
	return s
}

// median is the middle of sorted values, the mean of the two middle ones when
// their number is even (RFC 2330 section 11.3).
func median(sorted []time.Duration) time.Duration {
	n := len(sorted)
	if n%2 == 1 {
		return sorted[n/2]
	}
	lower, upper := sorted[n/2-1], sorted[n/2]
	return lower + (upper-lower)/2
}

// percentile is the least of the sorted values x for which the share of values
// not above x reaches percent (RFC 2330 section 11.3, on the empirical
// distribution; no interpolation). Fewer than 20 values have their greatest as
// the 95th percentile.
func percentile(sorted []time.Duration, percent int) time.Duration {
	rank := (percent*len(sorted) + 99) / 100 // rounded up, in integers
	return sorted[max(rank, 1)-1]
}

// inOrderOfArrival gives the round trips in the order the answers came, as
// RFC 3550 compares them.
func inOrderOfArrival(outcomes []Outcome) []time.Duration {
	var answered []Outcome
	for _, o := range outcomes {
		if o.Answered {
			answered = append(answered, o)
		}
	}
	slices.SortStableFunc(answered, func(a, b Outcome) int {
		return cmp.Compare(a.Sent+a.RTT, b.Sent+b.RTT)
	})
	rtts := make([]time.Duration, len(answered))
	for i, o := range answered {
		rtts[i] = o.RTT
	}
	return rtts
}

// jitter is the interarrival jitter of RFC 3550 section 6.4.1, J += (|D|-J)/16,
// after the last delay. It is a decaying average that starts at 0: a short burst
// has it still rising. A lost packet leaves no gap: the next arrival is compared
// with the last.
func jitter(delays []time.Duration) time.Duration {
	j := jitterAfterEach(delays)
	return time.Duration(math.Round(j[len(j)-1]))
}

// jitterAfterEach gives J in nanoseconds after the second and each later delay.
func jitterAfterEach(delays []time.Duration) []float64 {
	var j float64
	var all []float64
	for i := 1; i < len(delays); i++ {
		d := math.Abs(float64(delays[i] - delays[i-1]))
		j += (d - j) / 16
		all = append(all, j)
	}
	return all
}

// ipdv is the delay variation of RFC 3393 over pairs of packets sent one after
// the other, signed. A lost packet breaks both pairs that it is part of: they are
// undefined, and no pair is formed across the gap.
func ipdv(outcomes []Outcome) []time.Duration {
	var all []time.Duration
	for i := 1; i < len(outcomes); i++ {
		if outcomes[i-1].Answered && outcomes[i].Answered {
			all = append(all, outcomes[i].RTT-outcomes[i-1].RTT)
		}
	}
	return all
}

func meanAbs(values []time.Duration) time.Duration {
	var sum time.Duration
	for _, v := range values {
		sum += v.Abs()
	}
	return sum / time.Duration(len(values))
}

// delayAboveLeast is the packet delay variation of RFC 5481: each delay less the
// least one of the sample. Sorted delays give sorted variations.
func delayAboveLeast(sorted []time.Duration) []time.Duration {
	all := make([]time.Duration, len(sorted))
	for i, d := range sorted {
		all[i] = d - sorted[0]
	}
	return all
}
