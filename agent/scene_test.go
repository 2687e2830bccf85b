package agent

import (
	"math"
	"math/rand/v2"

	"candlemark/agent/pack"
)

// scene is one drawn discharge: what is fed how, and from what.
type scene struct {
	spec  pack.Spec
	tempC float64
	knows bool      // the temperature is measured
	soh   float64   // capacity against the label
	cells []float64 // capacity of each cell against soh
	ohmC  float64   // V per C-rate of the label, at 25 °C
	slow  float64   // how slow the diffusion is against the published cell
	start float64   // state of charge
	watts float64
	duty  float64 // depth of the load's swing, share of the mean
	dutyS float64 // its period, s
	stepS float64 // when the load changes for good; 0 never
	after float64 // to how much of what it was
}

func (s *scene) battery() battery {
	var b battery
	for _, k := range s.cells {
		q := s.spec.CapacityAh * s.soh * k
		if s.spec.Chemistry == pack.LeadAcid {
			b = append(b, &acidCell{qAh: q, ohm: s.ohmC / s.spec.CapacityAh, polarise: s.ohmC / s.spec.CapacityAh, tempC: s.tempC, drawnAh: (1 - s.start) * q})
			continue
		}
		b = append(b, newLithiumCell(s.spec.Chemistry, q, s.ohmC/s.spec.CapacityAh, s.tempC, s.start, s.slow))
	}
	return b
}

// shown is what a faultless sensor would read.
type shown struct{ v, a float64 }

// discharge runs the scene to its cut-off, one sample every dt seconds, from rest.
func (s *scene) discharge(dt float64, rng *rand.Rand) []shown {
	b := s.battery()
	out := []shown{{b.volts(0), 0}}
	wander := 0.0
	for t := dt; t < 3*86400; t += dt {
		wander += -wander*dt/600 + 0.02*math.Sqrt(2*dt/600)*rng.NormFloat64()
		w := s.watts * (1 + wander + 0.01*rng.NormFloat64())
		if s.dutyS > 0 && math.Mod(t, s.dutyS) < s.dutyS/2 {
			w *= 1 + s.duty
		} else if s.dutyS > 0 {
			w *= 1 - s.duty
		}
		if s.stepS > 0 && t >= s.stepS {
			w *= s.after
		}
		v, a, ok := b.step(w, dt)
		if !ok {
			v = 0.9 * s.spec.CutoffV
		}
		out = append(out, shown{v, a})
		if v <= s.spec.CutoffV {
			return out
		}
	}
	return out
}

// drawScene draws a pack and its load: runs of 45 min and more, three lead times.
func drawScene(rng *rand.Rand) scene {
	between := func(lo, hi float64) float64 { return lo + (hi-lo)*rng.Float64() }
	var s scene
	cellFull := 3.7
	switch u := rng.Float64(); {
	case u < 0.6:
		n := []int{3, 4, 5, 5, 5, 7}[rng.IntN(6)]
		s.spec = pack.Spec{Chemistry: pack.LiIon, SeriesCells: n, CapacityAh: between(2, 12), CutoffV: between(2.9, 3.2) * float64(n)}
	case u < 0.85:
		n := []int{4, 8}[rng.IntN(2)]
		s.spec = pack.Spec{Chemistry: pack.LFP, SeriesCells: n, CapacityAh: between(5, 100), CutoffV: between(2.6, 2.9) * float64(n)}
		cellFull = 3.25
	default:
		s.spec = pack.Spec{Chemistry: pack.LeadAcid, SeriesCells: 6, CapacityAh: between(7, 100), CutoffV: between(1.75, 1.85) * 6}
		cellFull = 2.0
	}
	s.tempC, s.knows = between(-5, 38), rng.Float64() < 0.5
	s.soh = between(0.92, 1.03)
	spread := 0.01
	if rng.Float64() < 0.4 {
		s.soh, spread = between(0.6, 0.92), 0.03
	}
	for range s.spec.SeriesCells {
		s.cells = append(s.cells, 1+spread*rng.NormFloat64())
	}
	s.ohmC = between(0.04, 0.10) / (s.soh * s.soh)
	s.slow = between(0.5, 1.5)
	s.start = 1
	if rng.Float64() < 0.3 {
		s.start = between(0.4, 1)
	}
	hours := math.Exp(between(math.Log(0.8), math.Log(7)))
	if s.spec.Chemistry == pack.LeadAcid {
		hours *= 2
	}
	s.watts = cellFull * float64(s.spec.SeriesCells) * s.spec.CapacityAh * s.soh * s.start / hours
	switch u := rng.Float64(); {
	case u < 0.2:
		s.duty, s.dutyS = between(0.1, 0.4), between(120, 900)
	case u < 0.35:
		s.stepS, s.after = between(0.1, 0.6)*hours*3600, between(0.6, 1.5)
	}
	return s
}
