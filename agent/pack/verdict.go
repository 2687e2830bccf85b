package pack

import (
	"fmt"
	"math"
	"strings"
)

// Verdict is what is thought of a pack's health.
type Verdict string

const (
	VerdictUnknown Verdict = "unknown" // no whole discharge to judge by
	Good           Verdict = "good"
	Tired          Verdict = "tired"  // it serves, but plan with what it gives
	Retire         Verdict = "retire" // it may fail without warning
)

const (
	// tiredBelow: IEEE Std 450 and 1188 replace stationary lead-acid at 80 % of rated
	// capacity (from memory); the same figure is the usual end of first life for
	// lithium cells.
	tiredBelow = 0.80
	// retireBelow and the resistance limits: common practice, no source.
	retireBelow = 0.60
	tiredOhm    = 1.5
	retireOhm   = 2.5

	judgeMaxRate = 1.2  // C-rate above which a discharge says little of capacity
	judgeMinC    = 10.0 // °C, and below which
)

// Verdict judges a pack by its earlier whole discharges, with the reason in words:
// capacity against the label, resistance against the first one known.
func (p *Profile) Verdict(spec Spec) (Verdict, string) {
	var latest *Past
	var firstOhm, lastOhm float64
	harsh := false
	for i := range p.Past {
		x := &p.Past[i]
		if x.Ohm > 0 {
			if firstOhm == 0 {
				firstOhm = x.Ohm
			}
			lastOhm = x.Ohm
		}
		if !x.Whole {
			continue
		}
		if x.MeanA > judgeMaxRate*spec.CapacityAh || x.TempC < judgeMinC {
			harsh = true
			continue
		}
		latest = x
	}
	if latest == nil {
		if harsh {
			return VerdictUnknown, fmt.Sprintf("no whole discharge under mild conditions yet (at most %.1f A, at least %.0f °C)",
				judgeMaxRate*spec.CapacityAh, judgeMinC)
		}
		return VerdictUnknown, "no whole discharge was learned yet"
	}
	gaveAh := latest.DrawnAh
	if spec.Chemistry == LeadAcid && latest.MeanA > 0 {
		gaveAh = peukertAh(gaveAh/latest.MeanA, latest.MeanA, labelHours, peukertK)
	}
	share := gaveAh / spec.CapacityAh
	var why []string
	why = append(why, fmt.Sprintf("gave %.2f Ah at %.1f A and %.0f °C: %.0f %% of the label's %.2f Ah",
		latest.DrawnAh, latest.MeanA, latest.TempC, 100*share, spec.CapacityAh))
	v := Good
	worse := func(to Verdict) {
		if to == Retire || v == Good {
			v = to
		}
	}
	switch {
	case share < retireBelow:
		worse(Retire)
	case share < tiredBelow:
		worse(Tired)
	}
	if firstOhm > 0 && lastOhm > 0 && len(p.Past) > 1 {
		rise := lastOhm / firstOhm
		why = append(why, fmt.Sprintf("resistance %.0f mΩ, %.2f times the first known", 1000*lastOhm, rise))
		switch {
		case rise > retireOhm:
			worse(Retire)
		case rise > tiredOhm:
			worse(Tired)
		}
	}
	return v, strings.Join(why, "; ")
}

const (
	labelHours = 20  // h; lead-acid labels are 20-hour capacities
	peukertK   = 1.1 // checks.md D18: AGM 1.05 to 1.15, flooded 1.1 to 1.3
)

// peukertAh is the h-hour capacity of a battery that lasted hours at amps: Peukert's
// law in the H-hour form, hours = h (C/(amps h))^k, solved for C (checks.md D15, T5).
func peukertAh(hours, amps, h, k float64) float64 {
	return amps * h * math.Pow(hours/h, 1/k)
}
