package reflector

import (
	"math"
	"testing"
	"time"
)

// Each case is a worked figure of RFC 6349; the section stands beside it.
func TestFiguresOfRFC6349(t *testing.T) {
	const ms = time.Millisecond
	bdp := func(bitS float64, rtt time.Duration) func() (float64, bool) {
		return func() (float64, bool) { return BDPBits(bitS, rtt) }
	}
	window := func(bitS float64, rtt time.Duration) func() (float64, bool) { // kB
		return func() (float64, bool) { b, ok := BDPBits(bitS, rtt); return b / 8000, ok }
	}
	for name, c := range map[string]struct {
		got        func() (float64, bool)
		want, near float64
	}{
		"3.3.1: T3, 25 ms":               {bdp(44.21e6, 25*ms), 1_105_250, 0.5},
		"3.3.1: T3, 25 ms, window kB":    {window(44.21e6, 25*ms), 138.16, 0.005},
		"3.3: 5 Mbit/s, 90 ms":           {bdp(5e6, 90*ms), 450_000, 0.5},
		"3.3: 640 kbit/s, 90 ms":         {bdp(640e3, 90*ms), 57_600, 0.5},
		"table 3.3.1: T1, 20 ms":         {bdp(1.536e6, 20*ms), 30_720, 0.5},
		"table 3.3.1: T1, 50 ms":         {bdp(1.536e6, 50*ms), 76_800, 0.5},
		"table 3.3.1: T1, 100 ms":        {bdp(1.536e6, 100*ms), 153_600, 0.5},
		"table 3.3.1: T1, 20 ms, kB":     {window(1.536e6, 20*ms), 3.84, 0.005},
		"table 3.3.1: T1, 100 ms, kB":    {window(1.536e6, 100*ms), 19.20, 0.005},
		"table 3.3.1: 100BASE, 1 ms, kB": {window(100e6, 1*ms), 12.50, 0.005},
		"table 3.3.1: 100BASE, 5 ms, kB": {window(100e6, 5*ms), 62.50, 0.005},
		"3.3.1: 25.6 Mbit/s, 5 ms, kB":   {window(25.6e6, 5*ms), 16, 1e-9},
		"3.3.1: 12.8 Mbit/s, 10 ms, kB":  {window(12.8e6, 10*ms), 16, 1e-9},
		"4.1.1: 100 Mbit/s, MTU 1500":    {func() (float64, bool) { return MaxTCPBitS(100e6, 1500) }, 94.9e6, 0.05e6},
		"4.1: 12 s for 8 s":              {func() (float64, bool) { return TransferTimeRatio(12*time.Second, 8*time.Second) }, 1.5, 1e-12},
		// The RFC prints 98.03 %; 100,000 of 102,000 is 98.039 %.
		"4.2: 2,000 of 102,000 again": {func() (float64, bool) { return Efficiency(102_000, 2_000) }, 0.98039, 0.0001},
		"4.3: 25 ms to 32 ms":         {func() (float64, bool) { return BufferDelay(25*ms, 32*ms) }, 0.28, 1e-12},
	} {
		if got, ok := c.got(); !ok || math.Abs(got-c.want) > c.near {
			t.Errorf("%s: %v known %v, want %v ± %v", name, got, ok, c.want, c.near)
		}
	}
	for name, got := range map[string]func() (float64, bool){
		"no round trip":     bdp(1e6, 0),
		"rate not a number": bdp(math.NaN(), ms),
		"nothing sent":      func() (float64, bool) { return Efficiency(0, 0) },
		"more again":        func() (float64, bool) { return Efficiency(1, 2) },
		"no baseline":       func() (float64, bool) { return BufferDelay(0, ms) },
		"no ideal":          func() (float64, bool) { return TransferTimeRatio(ms, 0) },
		"no room for TCP":   func() (float64, bool) { return MaxTCPBitS(1e6, 40) },
	} {
		if v, ok := got(); ok {
			t.Errorf("%s: %v", name, v)
		}
	}
}
