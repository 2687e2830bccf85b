package plan

import "math"

// rating is the most a fuse may be on a gauge of wire, A.
type rating struct {
	awg     int
	copperA float64
	cladA   float64 // aluminium or copper-clad aluminium; 0 where the table has none
}

// ratings: NEC 240.4(D) small conductors for 18 to 10 AWG (14, 12 and 10 AWG
// copper, 12 and 10 AWG aluminium from a maker's table of it; 18 and 16 AWG from
// a secondary copy); 8 AWG and thicker NEC 310.16 at 60 °C, from memory. Thinner
// wire is common practice, no source.
func ratings() []rating {
	return []rating{
		{26, 1, 0}, {24, 2, 0}, {22, 3, 0}, {20, 5, 0},
		{18, 7, 0}, {16, 10, 0}, {14, 15, 0}, {12, 20, 15}, {10, 30, 25},
		{8, 40, 30}, {6, 55, 40}, {4, 70, 55}, {2, 95, 75}, {1, 110, 85}, {0, 125, 100}, {-1, 145, 115}, {-2, 165, 130}, {-3, 195, 150},
	}
}

// networkConductorA is what one conductor of a network cable may carry, A: 23 and
// 22 AWG of 75 °C cable at 30 °C carry 0.5 A or more in a bundle of 192 (a cabling
// maker's excerpt of NEC 725.144), and IEEE 802.3 class 8 needs 0.48 A.
const networkConductorA = 0.5

// Rating is what the conductors of one polarity may carry together and what a
// fuse may be at most, A; ok is false for wire thinner than 26 AWG.
func (c Conductor) Rating() (ampere float64, ok bool) {
	n := float64(max(c.Pairs, 1))
	if c.RatingA > 0 {
		return c.RatingA * n, true
	}
	if c.Network {
		if c.AreaMM2 < 0.98*AWGAreaMM2(24) { // thinner cable warms more
			return networkConductorA * n * c.AreaMM2 / AWGAreaMM2(24), true
		}
		return networkConductorA * n, true
	}
	table := ratings()
	best := -1
	for i, r := range table {
		if AWGAreaMM2(r.awg) <= 1.005*c.AreaMM2 {
			best = i
		}
	}
	if best < 0 {
		return 0, false
	}
	if !c.CopperClad() {
		return table[best].copperA * n, true
	}
	if table[best].cladA > 0 {
		return table[best].cladA * n, true
	}
	// Aluminium is rated as copper two gauges thinner (common practice, no source).
	if best == 0 {
		return 0, false
	}
	return table[best-1].copperA * n, true
}

// fuseSizes are the sizes of blade fuses (ISO 8820-3 and its larger kin, from memory), A.
func fuseSizes() []float64 {
	return []float64{0.5, 1, 2, 3, 4, 5, 7.5, 10, 15, 20, 25, 30, 35, 40, 50, 60, 70, 80, 100, 125, 150, 175, 200}
}

// FuseFactor is the least fuse over the continuous current (NEC practice, from memory).
const FuseFactor = 1.25

// FuseCheck is the fuse at the head of one stretch of conductors.
type FuseCheck struct {
	At          string   `json:"at"`           // what feeds the stretch
	ContinuousA float64  `json:"continuous_a"` // at the lowest voltage, everything on
	LeastA      float64  `json:"least_a"`      // FuseFactor times that
	MostA       *float64 `json:"most_a"`       // rating of the weakest conductor; null unknown
	Conductor   string   `json:"conductor"`    // the weakest
	FuseA       *float64 `json:"fuse_a"`       // the size to fit; null where none fits
	Stated      bool     `json:"stated"`       // the plan gave the size
	SourceA     float64  `json:"source_a"`     // the most that a converter at the head gives; 0 unknown or a pack
	OK          bool     `json:"ok"`
	Why         string   `json:"why"`
}

// ChooseFuse is the smallest standard fuse of at least FuseFactor times the
// continuous current.
func ChooseFuse(continuousA float64) (sizeA float64, ok bool) {
	for _, s := range fuseSizes() {
		if s >= FuseFactor*continuousA*(1-1e-9) {
			return s, true
		}
	}
	return 0, false
}

// checkFuse compares stated, or the size to choose where it is 0, with the load
// and the weakest of the conductors.
func checkFuse(at string, continuousA, statedA float64, conductors []Conductor) FuseCheck {
	f := FuseCheck{At: at, ContinuousA: continuousA, LeastA: FuseFactor * continuousA, Stated: statedA > 0}
	most := math.Inf(1)
	for _, c := range conductors {
		r, known := c.Rating()
		if !known {
			f.Conductor, f.MostA = c.Name, nil
			f.Why = c.Name + " is thinner than any wire in the table of ratings: use thicker wire"
			return f
		}
		if r < most {
			most, f.Conductor = r, c.Name
		}
	}
	if len(conductors) > 0 {
		f.MostA = &most
	}
	size, ok := statedA, statedA > 0
	if !ok {
		size, ok = ChooseFuse(continuousA)
	}
	if ok {
		f.FuseA = &size
	}
	switch {
	case continuousA > most*(1+1e-9):
		f.FuseA = nil
		f.Why = sprintf("%s would carry %s, its limit is %s", f.Conductor, amps(continuousA), amps(most))
	case !ok:
		f.Why = sprintf("no standard fuse is as large as %s", amps(f.LeastA))
	case size > most*(1+1e-9) && f.Stated:
		f.Why = sprintf("a %s fuse does not protect %s, whose limit is %s", amps(size), f.Conductor, amps(most))
	case size > most*(1+1e-9):
		f.FuseA = nil
		f.Why = sprintf("the fuse needs at least %s, and %s allows at most %s: use thicker wire or more pairs", amps(f.LeastA), f.Conductor, amps(most))
	case size < f.LeastA*(1-1e-9):
		f.Why = sprintf("a %s fuse is below %.2f times the continuous %s: it may open in service", amps(size), FuseFactor, amps(continuousA))
	case len(conductors) == 0:
		f.OK = true
		f.Why = sprintf("at least %s (%.2f x %s); no conductor is stated, so its limit is not known", amps(f.LeastA), FuseFactor, amps(continuousA))
	default:
		f.OK = true
		f.Why = sprintf("at least %s (%.2f x %s), at most %s (%s)", amps(f.LeastA), FuseFactor, amps(continuousA), amps(most), f.Conductor)
	}
	return f
}
