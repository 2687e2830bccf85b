package plan

import (
	"math"
	"time"

	"candlemark/agent/pack"
)

// NiMH is a chemistry that the plan knows and the estimator does not.
const NiMH pack.Chemistry = "nimh"

// CellVoltages are those by which packs are made up, V per cell: nominal, end of
// charge, usual cut-off and the lowest a maker allows (handbook values, from memory).
type CellVoltages struct{ Nominal, Full, Cutoff, Lowest float64 }

// Cell gives the usual voltages of a chemistry.
func Cell(c pack.Chemistry) (CellVoltages, bool) {
	switch c {
	case pack.LiIon:
		return CellVoltages{3.6, 4.20, 3.0, 2.5}, true
	case pack.LFP:
		return CellVoltages{3.2, 3.65, 2.8, 2.5}, true
	case pack.LeadAcid:
		return CellVoltages{2.0, 2.40, 1.75, 1.75}, true
	case NiMH:
		return CellVoltages{1.2, 1.45, 1.0, 0.9}, true
	}
	return CellVoltages{}, false
}

// OverDischargedV is the voltage of a resting cell below which a pack is not
// charged again, V: copper from the anode has dissolved in lithium cells (2.0 V,
// from memory). Lead-acid and nickel cells do not fail that way; 1.5 V and 0.9 V
// say that a cell is dead (common practice, no source).
func OverDischargedV(c pack.Chemistry) float64 {
	switch c {
	case pack.LeadAcid:
		return 1.5
	case NiMH:
		return 0.9
	}
	return 2.0
}

// PeukertTime is how long a bank lasts at a constant current, by Peukert's rule
// with the capacity rated at ratedTime: H (C/(I H))^k. The form C/I^k with a
// 20 h rating is wrong.
func PeukertTime(capacityAh, k, currentA float64, ratedTime time.Duration) time.Duration {
	h := ratedTime.Hours()
	if !(capacityAh > 0 && currentA > 0 && h > 0) {
		return 0
	}
	return hours(h * math.Pow(capacityAh/(currentA*h), k))
}

// peukertShare is the part of the rated charge that a bank gives at a current:
// never more than all of it.
func peukertShare(capacityAh, k, currentA float64, rated time.Duration) float64 {
	if currentA <= 0 || capacityAh <= 0 {
		return 1
	}
	return math.Min(1, PeukertTime(capacityAh, k, currentA, rated).Hours()*currentA/capacityAh)
}

// LeadAcidAh is the capacity to buy, by the form of IEEE 485 clause 6: load times
// ageing, design margin and temperature factor.
func LeadAcidAh(loadAh, ageing, margin, temperature float64) float64 {
	return loadAh * ageing * margin * temperature
}

type point struct{ x, y float64 }

// interpolate reads a table sorted by x, flat beyond its ends.
func interpolate(t []point, x float64) float64 {
	if x <= t[0].x {
		return t[0].y
	}
	for i := 1; i < len(t); i++ {
		if x <= t[i].x {
			f := (x - t[i-1].x) / (t[i].x - t[i-1].x)
			return t[i-1].y + f*(t[i].y-t[i-1].y)
		}
	}
	return t[len(t)-1].y
}

// TemperatureFactor is by how much capacity has to grow for a temperature, or
// what there is has to be divided by.
//
// Lead-acid: IEEE 485 Table 1, -3.9 to 51.7 °C (values from memory; one web table
// contradicts them between 0 and 10 °C). Lithium: 1.10, 1.20, 1.40 at 0, -10,
// -20 °C (a public "engineering approximation", weak), 1 from 25 °C up. NiMH
// takes lithium's. Beyond the tables the last value stands.
func TemperatureFactor(c pack.Chemistry, tempC float64) float64 {
	if c == pack.LeadAcid {
		return interpolate([]point{{-3.9, 1.520}, {4.4, 1.300}, {10, 1.190}, {15.6, 1.110}, {25, 1.000}, {32.2, 0.940}, {51.7, 0.850}}, tempC)
	}
	return interpolate([]point{{-20, 1.40}, {-10, 1.20}, {0, 1.10}, {25, 1.00}}, tempC)
}

// chargeLeft is the part of the charge left when a cell under moderate load is
// at v: coarse curves from memory, good to a tenth of the charge in mid-curve.
func chargeLeft(c pack.Chemistry, v, cutoff float64) float64 {
	var t []point
	switch c {
	case pack.LiIon:
		t = []point{{3.0, 0}, {3.2, 0.05}, {3.4, 0.13}, {3.5, 0.22}, {3.6, 0.38}, {3.7, 0.55}, {3.8, 0.68}, {3.9, 0.79}, {4.0, 0.89}, {4.1, 0.96}, {4.2, 1}}
	case pack.LFP:
		t = []point{{2.8, 0}, {3.0, 0.07}, {3.1, 0.13}, {3.2, 0.35}, {3.25, 0.60}, {3.3, 0.88}, {3.4, 0.99}, {3.65, 1}}
	case pack.LeadAcid:
		t = []point{{1.75, 0}, {1.85, 0.12}, {1.90, 0.22}, {1.95, 0.38}, {2.0, 0.60}, {2.05, 0.83}, {2.1, 0.97}, {2.4, 1}}
	default:
		t = []point{{1.0, 0}, {1.1, 0.08}, {1.2, 0.35}, {1.25, 0.65}, {1.3, 0.88}, {1.45, 1}}
	}
	left, atCutoff := interpolate(t, v), interpolate(t, cutoff)
	if atCutoff >= 1 {
		return 0
	}
	return math.Max(0, (left-atCutoff)/(1-atCutoff))
}
