package pack

import (
	"errors"
	"fmt"
	"math"
)

// cutoffAt is the effective cut-off of the whole pack at a load current, V: the
// highest of the pack's limit, the converter's lock-out and what the far end needs
// plus the voltage lost on the feed.
func (s Spec) cutoffAt(amps float64) float64 {
	v := math.Max(s.CutoffV, s.LockoutV)
	if s.FarMinV > 0 {
		v = math.Max(v, s.FarMinV+s.FeedOhm*math.Max(amps, 0))
	}
	return v
}

// Validate says what is wrong with a spec.
func (s Spec) Validate() error {
	switch s.Chemistry {
	case LiIon, LFP, LeadAcid:
	default:
		return fmt.Errorf("pack: chemistry %q: want %s, %s or %s", s.Chemistry, LiIon, LFP, LeadAcid)
	}
	if s.SeriesCells < 1 || s.SeriesCells > 1000 {
		return fmt.Errorf("pack: %d series cells: want 1 to 1000", s.SeriesCells)
	}
	if !(s.CapacityAh >= 1e-3) || s.CapacityAh > 1e6 {
		return fmt.Errorf("pack: capacity %v Ah: want 0.001 to 1000000", s.CapacityAh)
	}
	for _, f := range []struct {
		name string
		v    float64
	}{
		{"full voltage", s.FullV}, {"cut-off", s.CutoffV}, {"lock-out", s.LockoutV},
		{"far end's minimum", s.FarMinV}, {"feed resistance", s.FeedOhm}, {"cut-off of a cell", s.CellCutoffV},
	} {
		if !(f.v >= 0) || f.v > 1e6 {
			return fmt.Errorf("pack: %s %v: want a number from 0", f.name, f.v)
		}
	}
	cut := s.cutoffAt(0)
	if !(cut > 0) {
		return errors.New("pack: no cut-off voltage given")
	}
	if full := s.fullV() * float64(s.SeriesCells); cut >= full {
		return fmt.Errorf("pack: cut-off %.2f V is not below the full voltage %.2f V", cut, full)
	}
	if s.CellCutoffV >= s.fullV() {
		return fmt.Errorf("pack: cut-off of a cell %.2f V is not below its full voltage %.2f V", s.CellCutoffV, s.fullV())
	}
	return nil
}

// fullV is the full (charging) voltage, V per cell (checks.md D1 to D5: 4.2, 3.65, 2.4).
func (s Spec) fullV() float64 {
	if s.FullV > 0 {
		return s.FullV / float64(s.SeriesCells)
	}
	switch s.Chemistry {
	case LFP:
		return 3.65
	case LeadAcid:
		return 2.40
	default:
		return 4.20
	}
}

// restFullV is the rest voltage below which a pack was plainly not full, V per cell:
// the family's OCV curves at 85 to 90 % charge.
func (s Spec) restFullV() float64 {
	switch s.Chemistry {
	case LFP:
		return 3.31
	case LeadAcid:
		return 2.07
	default:
		return 4.05 - math.Max(0, 4.2-s.fullV())
	}
}
