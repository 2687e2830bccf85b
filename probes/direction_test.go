package probes

import (
	"math"
	"slices"
	"testing"
	"time"
)

// The bounds are Wilson's formula evaluated by hand for 5 of 10.
func TestLossOfADirectionHasAnIntervalOnlyWhenItIsKnown(t *testing.T) {
	if _, _, ok := (Direction{Sent: 10, Lost: 1}).LossInterval(); ok {
		t.Error("the interval of a loss that is not known is known")
	}
	if low, _, ok := (Direction{Sent: 10, Lost: 5, LossKnown: true}).LossInterval(); !ok || math.Abs(low-0.2366) > 5e-5 {
		t.Errorf("lower bound %v", low)
	}
	if _, high, ok := (LatencyStats{Sent: 100}).LossInterval(); !ok || math.Abs(high-0.0370) > 5e-5 {
		t.Errorf("upper bound %v", high)
	}
}

func TestHistogramHasSixteenBucketsAndLosesNothing(t *testing.T) {
	const ms = time.Millisecond
	s := LatencyStats{RTTs: []time.Duration{0, 1 * ms, 1*ms + 1, 40 * ms, 2000 * ms, 2001 * ms}}
	got := s.Histogram()
	want := make([]int, 16)
	want[0], want[1], want[6], want[14], want[15] = 2, 1, 1, 1, 1
	if !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
	if bounds := RTTBounds(); !slices.IsSorted(bounds) || len(bounds) != 15 {
		t.Errorf("bounds %v", bounds)
	}
}
