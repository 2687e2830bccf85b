package ina219

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Side says which side of the shunt the bus pin (IN−) is wired to.
type Side string

const (
	LoadSide Side = "load" // IN+ to the pack, IN− to the load: the usual wiring
	PackSide Side = "pack" // IN− to the pack, IN+ to the load
)

// Grade is the chip's accuracy grade: INA219A or INA219B.
type Grade string

const (
	GradeA Grade = "A"
	GradeB Grade = "B"
)

// Config describes one chip, its shunt and the pack it watches. Every field but
// ClipAccepted must be given.
type Config struct {
	Bus            string  // "i2c-1", "/dev/i2c-1" or "1"
	Address        uint16  // 0x40 to 0x4F
	ShuntOhm       float64 // ohm
	ShuntTolerance float64 // ratio: 0.01 for a 1 % resistor
	ShuntMaxW      float64 // watts the shunt may turn into heat for long
	MaxExpectedA   float64 // largest current either way, A, at the lowest pack voltage
	ClipAccepted   bool    // the operator accepts in so many words that larger currents are reported as clipped
	Side           Side
	FullV          float64 // the pack's highest voltage, full or on charge, V
	Grade          Grade
}

// Fault is one thing wrong with a Config.
type Fault struct {
	Field   string // name of the Config field
	Problem string
	Remedy  string
}

func (f Fault) Error() string { return f.Field + ": " + f.Problem + "; " + f.Remedy }

// ClipA is the current at which the shunt's reading clips, A (3.2 A for 0.1 Ω).
func (c Config) ClipA() float64 { return FullScaleV / c.ShuntOhm }

// BusNumber is the N of /dev/i2c-N.
func (c Config) BusNumber() (int, error) {
	s := strings.TrimPrefix(strings.TrimPrefix(c.Bus, "/dev/"), "i2c-")
	n, err := strconv.ParseUint(s, 10, 16)
	if err != nil {
		return 0, fmt.Errorf("%q is not the name of an I2C bus", c.Bus)
	}
	return int(n), nil
}

// Validate returns every fault of the configuration, each with its remedy, or
// none. Its faults are those of the electrical set-up; it touches no hardware.
func (c Config) Validate() []Fault {
	var fs []Fault
	bad := func(field, remedy, problem string, args ...any) {
		fs = append(fs, Fault{Field: field, Problem: fmt.Sprintf(problem, args...), Remedy: remedy})
	}
	positive := func(field string, v float64, unit, remedy string) bool {
		if v > 0 && !math.IsInf(v, 1) {
			return true
		}
		bad(field, remedy, "%g %s is not above zero", v, unit)
		return false
	}

	if _, err := c.BusNumber(); err != nil {
		bad("Bus", "name it as i2c-1 for /dev/i2c-1", "%v", err)
	}
	if c.Address < FirstAddress || c.Address > LastAddress {
		bad("Address", "set the address that the board's A0 and A1 straps give, 0x40 to 0x4f (no straps: 0x40)",
			"0x%02x is not an address of this chip", c.Address)
	}
	if c.Side != LoadSide && c.Side != PackSide {
		bad("Side", `say "load" where IN− is wired to the load, "pack" where it is wired to the pack`, "%q is neither side of the shunt", string(c.Side))
	}
	if c.Grade != GradeA && c.Grade != GradeB {
		bad("Grade", `say "A" or "B" as marked on the chip; "A" is the safe choice`, "%q is not an accuracy grade", string(c.Grade))
	}
	if positive("FullV", c.FullV, "V", "set the pack's highest voltage, full or on charge") && c.FullV > MaxBusV {
		bad("FullV", "use a pack that stays at or below 26 V on charge, or put another sensor or a divider in front of the chip",
			"the pack reaches %g V, and the chip takes no more than 26 V (its 32 V range is only a scale)", c.FullV)
	}
	if !(c.ShuntTolerance > 0 && c.ShuntTolerance < 0.5) {
		bad("ShuntTolerance", "set the tolerance printed on the shunt as a ratio, 0.01 for 1 %", "%g is not a ratio above 0 and below 0.5", c.ShuntTolerance)
	}
	heatKnown := positive("ShuntMaxW", c.ShuntMaxW, "W", "set the watts the shunt is rated for")
	loadKnown := positive("MaxExpectedA", c.MaxExpectedA, "A", "set the largest current at the lowest pack voltage")
	switch {
	case !positive("ShuntOhm", c.ShuntOhm, "Ω", "set the resistance marked on the shunt; R100 is 0.1 Ω"):
	case c.ShuntOhm < 1e-6 || c.ShuntOhm > 100:
		bad("ShuntOhm", "set the resistance in ohm; R100 is 0.1 Ω", "%g Ω is outside 1 µΩ to 100 Ω", c.ShuntOhm)
	case loadKnown:
		// A millionth of slack, so that 3.2 A on 0.1 Ω is not refused for a float's last bit.
		if c.MaxExpectedA > c.ClipA()*(1+1e-6) && !c.ClipAccepted {
			bad("MaxExpectedA", fmt.Sprintf("fit a shunt of at most %.3g Ω, or accept that larger currents are reported as clipped", FullScaleV/c.MaxExpectedA),
				"a shunt of %g Ω clips at %.3g A, below the %g A expected", c.ShuntOhm, c.ClipA(), c.MaxExpectedA)
		}
		if w := c.MaxExpectedA * c.MaxExpectedA * c.ShuntOhm; heatKnown && w > c.ShuntMaxW*(1+1e-6) {
			bad("ShuntMaxW", "fit a shunt of less resistance or of more watts, or lower the load",
				"the shunt of %g Ω would turn %.3g W into heat at %g A and is rated for %g W", c.ShuntOhm, w, c.MaxExpectedA, c.ShuntMaxW)
		}
	}
	return fs
}

// fault joins the faults into one error, or gives nil.
func (c Config) fault() error {
	var errs []error
	for _, f := range c.Validate() {
		errs = append(errs, f)
	}
	return errors.Join(errs...)
}
