package pack

import (
	"fmt"
	"math"
)

// A pack is recognised by its voltage: while it was away or out of sight its charge
// can only have fallen as far as the load could draw, so a voltage well above what
// the state would show, allowing for recovery at rest, means another pack (or this
// one charged elsewhere; either way what was counted is void).

const (
	lostS    = 60.0 // s without a reading after which the pack may have been changed
	recoverV = 0.15 // V per cell; the most a cell recovers at rest beyond its ohmic part
)

// SwapSuspected says whether the readings looked like another pack than the one
// followed before, and why. It stays so for the life of the Estimator; the count
// began anew at that reading. A pack of equal voltage cannot be told apart.
func (e *Estimator) SwapSuspected() (bool, string) { return e.swapWhy != "", e.swapWhy }

// apparentOhm is the resistance a load step shows, V per C-rate and cell.
func (e *Estimator) apparentOhm() float64 {
	if r, ok := e.run.Steps.ohm(); ok {
		return r
	}
	return 1.5 * typicalOhm(e.spec.Chemistry)
}

// changedPack judges a reading that follows an absence or a gap.
func (e *Estimator) changedPack(v, c, dt float64) bool {
	r := &e.run
	away := r.AwayS + dt
	if r.HeldV == 0 || (r.AwayS == 0 && dt < lostS) || r.State == Charging {
		return false
	}
	if r.AwayS == 0 && dt < 20*math.Max(r.StepS, 1) {
		return false // slow sampling is no gap
	}
	expect := r.HeldV - e.apparentOhm()*(c-r.HeldC)
	tol := 0.08
	switch e.spec.Chemistry {
	case LFP:
		tol = 0.05
	case LeadAcid:
		tol = 0.06
	}
	up := tol
	if c < r.HeldC-0.02 || c < 0.02 {
		up += recoverV
	}
	// What the load could have drawn meanwhile, on the steepest part of a curve.
	down := tol + 0.1 + 3*math.Max(c, r.HeldC)*away/3600
	switch {
	case v > expect+up:
		e.swapWhy = fmt.Sprintf("after %.0f s out of sight the pack shows %.2f V, %.2f V more than the one before could",
			away, v*e.cells, (v-expect)*e.cells)
	case r.AwayS > 0 && v < expect-down:
		e.swapWhy = fmt.Sprintf("after %.0f s out of sight the pack shows %.2f V, %.2f V less than the one before would",
			away, v*e.cells, (expect-v)*e.cells)
	default:
		return false
	}
	return true
}
