package pack

import "math"

// ahead is what a hypothesis needs to look ahead.
type ahead struct {
	q     float64 // charge drawn so far, parts of the label
	tempC float64
	load  load
	cutV  float64 // V per cell, of the mean voltage: raised by what pulses sag below it
	cellV float64 // V; where a protection board ends the pack by its weakest cell; 0 where none is known of
	keep  float64 // share of the present residual carried to the end

	loadSD float64 // standard deviation of the log of the load
	cutSD  float64 // V; of the mean voltage at which pulses meet the cut-off
}

// vary gives the k-th of many ways the load and the sag may turn out: normal by the
// additive recurrence of the plastic number (M. Roberts 2018), which fills the plane
// evenly from any start.
func (a *ahead) vary(k int) *ahead {
	if a.loadSD == 0 && a.cutSD == 0 {
		return a
	}
	_, u := math.Modf(0.5 + 0.7548776662*float64(k))
	_, v := math.Modf(0.5 + 0.5698402910*float64(k))
	b := *a
	f := math.Exp(a.loadSD * math.Sqrt2 * math.Erfinv(2*u-1))
	b.load.rate *= f
	b.load.power *= f
	b.cutV += a.cutSD * math.Sqrt2 * math.Erfinv(2*v-1)
	return &b
}

// anchor splits what voltage a hypothesis still misses now, e, between its place
// along the curve and an offset that lasts, as a Kalman update would: where the
// curve is steep the place is at fault, where it is flat the voltage.
func anchor(a *ahead, e, x, h, sigmaV, sigmaX float64, model func(float64) (u, r float64)) (shift, offset float64) {
	u1, r1 := model(x + h)
	u0, r0 := model(x - h)
	slope := (u1 - r1*a.load.rate - u0 + r0*a.load.rate) / (2 * h)
	vv, xx := sigmaV*sigmaV, slope*slope*sigmaX*sigmaX
	s := 1 / (vv + xx)
	return e * slope * sigmaX * sigmaX * s, a.keep * e * vv * s
}

const walkPoints = 64

// crossing integrates the time in seconds from position x to where the voltage
// under load meets the cut-off; the position runs to end, and |dx| of it is worth
// capacity times |dx| of charge. model gives open voltage and resistance; weak, which
// may be nil, by how much the weakest cell lies above its limit at a rate.
func crossing(a *ahead, x, end, capacity float64, model func(float64) (u, r float64), weak func(x, rate float64) float64) float64 {
	h := (end - x) / walkPoints
	charge := math.Abs(h) * capacity * 3600 // C-rate seconds for each step
	var t, lastV, lastInv float64
	for k := 0; k <= walkPoints; k++ {
		u, r := model(x + float64(k)*h)
		i := a.load.rate
		v := u - r*i
		if !a.load.constantCurrent {
			v, i = powerPoint(u, r, a.load.power)
			i = math.Min(i, 20*a.load.rate)
		}
		if weak != nil {
			v = min(v, a.cutV+weak(x+float64(k)*h, i))
		}
		inv := 1 / math.Max(i, 1e-9)
		step := 0.5 * (inv + lastInv) * charge
		if v <= a.cutV {
			if k == 0 {
				return 0
			}
			if lastV > v {
				return t + step*(lastV-a.cutV)/(lastV-v)
			}
			return t + step
		}
		if k > 0 {
			t += step
		}
		lastV, lastInv = v, inv
	}
	return t
}

// powerPoint gives the voltage and current at which a source of open voltage u and
// resistance r feeds a constant power: the upper root of v (u-v)/r = p. Where the
// source cannot, the voltage is 0.
func powerPoint(u, r, p float64) (v, i float64) {
	if d := u*u - 4*r*p; d > 0 && u > 0 {
		v = 0.5 * (u + math.Sqrt(d))
	}
	return v, p / math.Max(v, 0.3)
}
