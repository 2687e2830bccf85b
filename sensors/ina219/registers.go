package ina219

import "fmt"

// Register pointers (SBOS448F table 4).
const (
	RegConfig      = 0x00
	RegShunt       = 0x01
	RegBus         = 0x02
	RegPower       = 0x03
	RegCurrent     = 0x04
	RegCalibration = 0x05
)

// Bits of the bus voltage register (SBOS448F page 30).
const (
	BusOverflow = 1 << 0 // OVF: power or current calculation out of range
	BusReady    = 1 << 1 // CNVR: a conversion has ended
	busUnused   = 1 << 2 // always reads 0
)

// PowerOnConfig is the configuration register after power-on or reset.
const PowerOnConfig = 0x399F

// settings is what the driver writes: 32 V range, gain ÷8 (±320 mV), 128-fold
// averaging of bus and shunt, continuous conversion of both.
const settings = 1<<13 | 3<<11 | 0xF<<7 | 0xF<<3 | 7

// Steps and ends of the two converters (SBOS448F page 5).
const (
	shuntStepUV  = 10   // µV
	busStepUV    = 4000 // µV
	shuntPinned  = 32000
	busFullScale = 8000 // 32 V
)

// Limits that a wiring plan needs too.
const (
	MaxBusV      = 26.0  // V; "in no event should more than 26V be applied" (SBOS448F page 5, note 2)
	FullScaleV   = 0.320 // V across the shunt at gain ÷8, where the reading clips
	FirstAddress = 0x40  // A1 and A0 to ground
	LastAddress  = 0x4F  // A1 and A0 to SCL
)

// Calibration is the value of the calibration register for a current step in
// nanoamperes and a shunt in nanoohms: trunc(0.04096 V / (step × shunt)), in
// integers because a float gives 20479 for some cases whose answer is 20480, and
// made even because bit 0 cannot be stored. It refuses a step for which the
// value does not fit the register.
func Calibration(stepNA, shuntNOhm int64) (uint16, error) {
	const scale = 40_960_000_000_000_000 // 0.04096 V in nA × nΩ
	if stepNA <= 0 || shuntNOhm <= 0 {
		return 0, fmt.Errorf("calibration: current step %d nA and shunt %d nΩ must both be above zero", stepNA, shuntNOhm)
	}
	if stepNA > scale/shuntNOhm {
		return 0, fmt.Errorf("calibration: current step %d nA is too large for a shunt of %d nΩ; take a smaller step", stepNA, shuntNOhm)
	}
	cal := scale / (stepNA * shuntNOhm) &^ 1
	switch {
	case cal > 0xFFFE:
		return 0, fmt.Errorf("calibration: value %d for a step of %d nA does not fit 16 bits; take a larger step", cal, stepNA)
	case cal == 0:
		return 0, fmt.Errorf("calibration: current step %d nA is too large for a shunt of %d nΩ; take a smaller step", stepNA, shuntNOhm)
	}
	return uint16(cal), nil
}
