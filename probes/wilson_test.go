package probes

import (
	"math"
	"testing"
)

// Computed from Wilson (1927): 0 of 100 reaches up to 3.70 % (the rule of three
// says 3.0 %), 1 of 100 is 0.18 % to 5.45 %.
func TestWilsonInterval(t *testing.T) {
	for _, c := range []struct {
		k, n         int
		lower, upper float64
	}{
		{0, 100, 0, 0.0370}, {1, 100, 0.0018, 0.0545}, {100, 100, 0.9630, 1},
	} {
		lower, upper, ok := Wilson(c.k, c.n, Z95)
		if !ok || math.Abs(lower-c.lower) > 0.00005 || math.Abs(upper-c.upper) > 0.00005 {
			t.Errorf("%d of %d: %.5f to %.5f, known %v; want %v to %v", c.k, c.n, lower, upper, ok, c.lower, c.upper)
		}
	}
	for _, c := range [][2]int{{0, 0}, {-1, 5}, {6, 5}} {
		if _, _, ok := Wilson(c[0], c[1], Z95); ok {
			t.Errorf("%d of %d has an interval", c[0], c[1])
		}
	}
}
