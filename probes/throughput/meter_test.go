package throughput

import (
	"strings"
	"testing"
	"time"
)

// steady gives a sample every 100 ms from first to last, each of perSample bytes.
func steady(first, last time.Duration, perSample int64) []sample {
	var all []sample
	var total int64
	for at := first; at <= last; at += 100 * ms {
		total += perSample
		all = append(all, sample{at, total})
	}
	return all
}

// Expected figures by arithmetic.
func TestRate(t *testing.T) {
	rampUp := append(steady(0, 900*ms, 1000), func() []sample {
		var fast []sample // ten times as fast from 1 s to 4 s
		for i := range int64(31) {
			fast = append(fast, sample{time.Second + time.Duration(i)*100*ms, 10_000 + 10_000*(i+1)})
		}
		return fast
	}()...)
	for _, c := range []struct {
		name    string
		samples []sample
		arrived time.Duration
		end     time.Duration
		bytes   int64
		time    time.Duration
		fault   string
	}{
		// 1 s to 5 s; 1.0 s of it is ramp-up; then 30 samples of 1000 bytes.
		{"steady after a late start", steady(time.Second, 5*time.Second, 1000), 5 * time.Second, 5 * time.Second, 30_000, 3 * time.Second, ""},
		// From 1 s on, whose sample has come already: 30 more of 10000 bytes.
		{"slow start left out", rampUp, 4 * time.Second, 4 * time.Second, 300_000, 3 * time.Second, ""},
		// 20 s: a quarter would be 5 s, 2 s is the most.
		{"long transfer", steady(0, 20*time.Second, 1000), 20 * time.Second, 20 * time.Second, 180_000, 18 * time.Second, ""},
		// A pause of 1.5 s in 5 s is part of the mean.
		{"pause at the end", steady(0, 3500*ms, 1000), 3500 * ms, 5 * time.Second, 23_000, 3750 * ms, ""},
		{"stalled", steady(0, time.Second, 1000), time.Second, 5 * time.Second, 0, 0, "stalled: nothing in the last 4.0 s"},
		{"nothing came", nil, 0, 5 * time.Second, 0, 0, "no test data in 5.0 s"},
		{"all taken back", []sample{{0, 500}, {ms, 0}}, 0, time.Second, 0, 0, "no test data"},
		{"too short", []sample{{0, 500}, {50 * ms, 1000}}, 50 * ms, 60 * ms, 0, 0, "too few to measure"},
	} {
		t.Run(c.name, func(t *testing.T) {
			f, err := rate(c.samples, c.arrived, c.end)
			if c.fault != "" {
				if err == nil || !strings.Contains(err.Error(), c.fault) {
					t.Errorf("error %v, want %q", err, c.fault)
				}
				return
			}
			if err != nil || f.bytes != c.bytes || f.time != c.time {
				t.Errorf("%d bytes in %v (%v), want %d in %v", f.bytes, f.time, err, c.bytes, c.time)
			}
		})
	}
}

// Header allowance by arithmetic: (40 + 26) / 1460 = 4.5 %.
func TestHeaderAllowanceCoversTCPAndIP(t *testing.T) {
	const segments = 1_000_000
	wire := int64(segments * (1460 + 40 + 52/2))
	if got := withHeaders(segments * 1460); got < wire || got > wire*101/100 {
		t.Errorf("allowance gives %d, the wire carries %d", got, wire)
	}
	if got := withHeaders(withoutHeaders(20_000_000)); got > 20_000_000 {
		t.Errorf("there and back gives %d", got)
	}
}
