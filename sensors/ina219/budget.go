package ina219

import "math"

// Budget bounds the error of one reading over the chip's temperature range. The
// first three are worst-case sums in V, A and W; RSSW is the root sum of squares
// of the independent parts of the power's error, W, which is what a person
// should expect rather than fear.
//
// It leaves out drift with supply voltage (10 µV/V), the offset's drift with
// temperature (0.1 µV/°C, 6 µV from 25 to 85 °C) and half a shunt step (5 µV),
// all small beside the offset.
type Budget struct {
	V, A, W float64
	RSSW    float64
}

// Maxima of SBOS448F page 5.
const (
	busErrorRatio = 0.01  // bus voltage, over temperature, both grades
	busStepV      = 0.004 // one step
)

// chipError is the offset referred to the input at gain ÷8, V, and the current
// error over temperature, as a ratio (SBOS448F page 5).
func (g Grade) chipError() (offsetV, ratio float64) {
	if g == GradeB {
		return 100e-6, 0.005
	}
	return 200e-6, 0.01
}

// Budget is the error budget of a reading of busV and packA.
func (c Config) Budget(busV, packA float64) Budget {
	offsetV, gain := c.Grade.chipError()
	amps := math.Abs(packA)
	offsetA := offsetV / c.ShuntOhm
	errV := math.Abs(busV)*busErrorRatio + busStepV
	packV := busV
	if c.Side == LoadSide {
		shuntV := packA * c.ShuntOhm
		packV += shuntV
		errV += math.Abs(shuntV)*gain + offsetV
	}
	packV = math.Abs(packV)
	errA := amps*(gain+c.ShuntTolerance) + offsetA
	parts := [4]float64{packV * amps * gain, packV * amps * c.ShuntTolerance, packV * offsetA, amps * errV}
	sum := 0.0
	for _, p := range parts {
		sum += p * p
	}
	return Budget{V: errV, A: errA, W: packV*errA + amps*errV + errV*errA, RSSW: math.Sqrt(sum)}
}
