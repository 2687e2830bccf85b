package simulated

import (
	"errors"
	"fmt"
	"math"

	"candlemark/sensors/ina219"
)

// Config describes the pack, what it feeds, and the sensor in between.
type Config struct {
	Chemistry     Chemistry
	SeriesCells   int
	CapacityAh    float64 // of the whole pack
	InitialCharge float64 // ratio above 0, up to 1
	TempC         float64 // of the cells, −30 to 60 °C

	LoadW        float64 // what the load takes from the converter, W; SetLoadW changes it
	Efficiency   float64 // of the converter, ratio above 0, up to 1
	ConverterW   float64 // what the converter takes for itself, W
	LockoutV     float64 // the converter stops below this input voltage, V; 0: never
	CutoffV      float64 // the pack's own limit under load, V, for TimeToCutoff
	Bus          string  // "i2c-1"
	Address      uint16
	ShuntOhm     float64
	ClipAccepted bool // let a load above the shunt's range read as clipped

	Speed  float64 // simulated seconds in a real one, 1 to 10,000
	Seed   uint64  // of the noise
	NoiseV float64 // standard deviation of the bus voltage, V
	NoiseA float64 // standard deviation of the current, A
}

// DefaultConfig is a 5-series lithium-ion tool pack of 5 Ah that feeds a 45 W
// terminal in real time. Figures of an invented kit.
func DefaultConfig() Config {
	return Config{
		Chemistry: LiIon, SeriesCells: 5, CapacityAh: 5, InitialCharge: 1, TempC: 25,
		LoadW: 45, Efficiency: 0.9, ConverterW: 0.5, LockoutV: 14, CutoffV: 15,
		Bus: "i2c-1", Address: 0x40, ShuntOhm: 0.02,
		Speed: 1, Seed: 1, NoiseV: 0.002, NoiseA: 0.001,
	}
}

// sensor is the driver's configuration that fits the pack.
func (c Config) sensor(cl cell) ina219.Config {
	lowest := max(c.CutoffV, c.LockoutV)
	return ina219.Config{
		Bus: c.Bus, Address: c.Address, ShuntOhm: c.ShuntOhm, ShuntTolerance: 0.01,
		ShuntMaxW:    max(1, 2*math.Pow(c.drawW(c.LoadW)/lowest, 2)*c.ShuntOhm), // ample: nothing burns here
		MaxExpectedA: max(0.1, c.drawW(c.LoadW)/lowest),
		ClipAccepted: c.ClipAccepted, Side: ina219.LoadSide,
		FullV: cl.fullV * float64(c.SeriesCells), Grade: ina219.GradeA,
	}
}

// drawW is what the converter takes from the pack for a load.
func (c Config) drawW(loadW float64) float64 { return loadW/c.Efficiency + c.ConverterW }

func (c Config) validate() error {
	var errs []error
	within := func(name string, v, lo, hi float64, unit string) {
		if !(v >= lo && v <= hi) {
			errs = append(errs, fmt.Errorf("%s: %g%s is outside %g to %g%s", name, v, unit, lo, hi, unit))
		}
	}
	if _, ok := c.Chemistry.cell(); !ok {
		errs = append(errs, fmt.Errorf("chemistry: %q is none of li-ion, lfp, lead-acid", string(c.Chemistry)))
	}
	within("SeriesCells", float64(c.SeriesCells), 1, 100, "")
	within("CapacityAh", c.CapacityAh, 0.01, 10000, " Ah")
	within("InitialCharge", c.InitialCharge, 0.001, 1, "")
	within("TempC", c.TempC, -30, 60, " °C")
	within("LoadW", c.LoadW, 0, 10000, " W")
	within("Efficiency", c.Efficiency, 0.01, 1, "")
	within("ConverterW", c.ConverterW, 0, 1000, " W")
	within("LockoutV", c.LockoutV, 0, 1000, " V")
	within("CutoffV", c.CutoffV, 0.1, 1000, " V")
	within("Speed", c.Speed, 1, 10_000, "")
	within("NoiseV", c.NoiseV, 0, 1, " V")
	within("NoiseA", c.NoiseA, 0, 10, " A")
	return errors.Join(errs...)
}
