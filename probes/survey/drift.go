package survey

import (
	"fmt"
	"math"

	"candlemark/probes"
	"candlemark/probes/distribution"
)

// drifts says how the link changed while the survey went on: of what lies beyond
// the hop, where both sections were measured (no arrangement touches that), and of
// the primary question with each arrangement's own mean taken off.
func drifts(s Survey) []Drift {
	var all []Drift
	var x, y []float64
	for _, r := range s.Rounds {
		hop, okHop := valueOf(r, probes.Hop, Latency)
		uplink, okUplink := valueOf(r, probes.Uplink, Latency)
		if okHop && okUplink && hop.Known && uplink.Known {
			x, y = append(x, float64(r.Slot)), append(y, uplink.Value-hop.Value)
		}
	}
	if d, ok := drift("uplink latency beyond the hop", Latency.Unit(), x, y, len(s.Plan.Slots()), 0); ok {
		all = append(all, d)
	}
	x, y = nil, nil
	var of [MaxArrangements][]float64
	for _, r := range s.Rounds {
		if f, ok := valueOf(r, s.Plan.Section, s.Plan.Primary); ok && f.Known {
			of[r.Arrangement] = append(of[r.Arrangement], f.Value)
		}
	}
	arms := 0
	for _, values := range of {
		if len(values) > 0 {
			arms++
		}
	}
	var grand []float64
	for _, r := range s.Rounds {
		if f, ok := valueOf(r, s.Plan.Section, s.Plan.Primary); ok && f.Known {
			x, y = append(x, float64(r.Slot)), append(y, f.Value-distribution.Mean(of[r.Arrangement]))
			grand = append(grand, f.Value)
		}
	}
	if d, ok := drift(fmt.Sprintf("%s of the %s, arrangements put aside", s.Plan.Primary.Title(), s.Plan.Section), s.Plan.Primary.Unit(), x, y, len(s.Plan.Slots()), arms-1); ok {
		if m := distribution.Mean(grand); m > 0 {
			d.Share = d.Change / m
		}
		d.Wanders = wanders(y)
		all = append(all, d)
	}
	return all
}

// drift fits a line over the place in the order, which a wrong clock cannot spoil.
// taken are the means that were taken off beyond the line's own.
func drift(of, unit string, x, y []float64, slots, taken int) (d Drift, ok bool) {
	if len(x) < 4+taken {
		return d, false
	}
	l, ok := Fit(x, y)
	if !ok {
		return d, false
	}
	span := float64(slots - 1)
	d = Drift{Of: of, Unit: unit, Rounds: len(x), Change: l.Slope * span, Error: l.SlopeSE * span, P: l.P, Shown: l.P < alpha}
	if m := distribution.Mean(y); m > 0 && taken == 0 {
		d.Share = d.Change / m
	}
	return d, true
}

// driftShown says whether any drift of the survey was shown.
func (r Report) driftShown() bool {
	for _, d := range r.Drift {
		if d.Shown || d.Wanders {
			return true
		}
	}
	return false
}

// wanders says whether each value is like the one before, more than chance makes it
// at 5 %: von Neumann's ratio (1941) with its normal approximation. It sees the
// drifts that are no straight line.
func wanders(y []float64) bool {
	n := float64(len(y))
	if n < 8 {
		return false
	}
	m := distribution.Mean(y)
	var steps, squares float64
	for i, v := range y {
		squares += (v - m) * (v - m)
		if i > 0 {
			steps += (v - y[i-1]) * (v - y[i-1])
		}
	}
	if squares == 0 {
		return false
	}
	ratio := steps / (n - 1) / (squares / n)
	expected := 2 * n / (n - 1)
	sd := math.Sqrt(4 * n * n * (n - 2) / ((n + 1) * (n - 1) * (n - 1) * (n - 1)))
	return (ratio-expected)/sd < -1.645
}
