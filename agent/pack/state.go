package pack

import "math"

const (
	absentV     = 0.3   // V per cell; no chemistry shows as little
	restRate    = 0.002 // C-rate; below it a pack lasts weeks
	chargeHoldS = 90.0  // s
	restHoldS   = 600.0 // s
	newRunShare = 0.02  // of the label; charged back by this much, a new discharge begins
)

// settle follows what the pack is doing. A pulsing load may rest or feed back for
// a while; it is charging or resting only once that has lasted.
func (r *recorder) settle(v, c, dt float64) {
	now := Discharging
	switch {
	case v < absentV:
		now = Absent
	case c < -restRate:
		now = Charging
	case c < restRate:
		now = Resting
	}
	if now == Discharging || now == Absent {
		r.QuietS = 0
		r.State = now
		return
	}
	r.QuietS += dt
	hold := chargeHoldS
	if now == Resting {
		hold = restHoldS
	}
	if r.State == Discharging && r.QuietS < hold {
		return
	}
	r.State = now
}

// outlier says whether a voltage leaps without the current having changed; such a
// reading is passed over twice at most, for then it is the new truth. At slow
// sampling a voltage may honestly fall that fast at the end.
func (r *recorder) outlier(v, c, dt float64) bool {
	if dt > 5 || r.Passed >= 2 || math.Abs(v-r.tracker.lastV) < 0.3 ||
		math.Abs(c-r.tracker.last) > 0.1*math.Max(r.Peak, 0.1) {
		r.Passed = 0
		return false
	}
	r.Passed++
	return true
}
