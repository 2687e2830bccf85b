package ina219_test

import (
	"errors"
	"fmt"
	"math"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/i2c/i2ctest"

	"candlemark/sensors"
	"candlemark/sensors/ina219"
	"candlemark/sensors/ina219/ina219test"
)

var _ sensors.Sensor = (*ina219.Device)(nil)

// kit is a five-series pack behind 0.02 Ω: 16 A full scale.
func kit() ina219.Config {
	return ina219.Config{
		Bus: "i2c-1", Address: 0x40, ShuntOhm: 0.02, ShuntTolerance: 0.01, ShuntMaxW: 3,
		MaxExpectedA: 8, Side: ina219.LoadSide, FullV: 21, Grade: ina219.GradeA,
	}
}

func device(t *testing.T, cfg ina219.Config) (*ina219.Device, *ina219test.Chip, *ina219test.Bus) {
	t.Helper()
	chip := ina219test.New(cfg.Address, cfg.ShuntOhm)
	bus := ina219test.NewBus("i2c-1", chip)
	d, err := ina219.New(bus, cfg)
	if err != nil {
		t.Fatal(err)
	}
	return d, chip, bus
}

func near(got, want, tol float64) bool { return math.Abs(got-want) <= tol }

func TestExactBytesOnTheBus(t *testing.T) {
	// 0x3FFF: 32 V range, gain ÷8, 128 samples both, continuous (SBOS448F tables 4 to 7).
	// 0x1000: the current register then equals the shunt register.
	tx := func(w []byte, r ...byte) i2ctest.IO { return i2ctest.IO{Addr: 0x40, W: w, R: r} }
	ops := []i2ctest.IO{
		tx([]byte{5, 0x10, 0x00}), tx([]byte{0, 0x3F, 0xFF}),
		tx([]byte{0}, 0x3F, 0xFF), tx([]byte{5}, 0x10, 0x00), // read back
		tx([]byte{3}, 0, 0),       // clears conversion ready
		tx([]byte{2}, 0, 0),       // not yet
		tx([]byte{2}, 0x5D, 0x9A), // 11.98 V, ready (SBOS448F table 3 with CNVR set)
		tx([]byte{1}, 0x07, 0xD0), // 20 mV
		tx([]byte{0}, 0x3F, 0xFF), tx([]byte{5}, 0x10, 0x00),
		// The next reading needs no set-up.
		tx([]byte{3}, 0, 0), tx([]byte{2}, 0x5D, 0x9A), tx([]byte{1}, 0xF8, 0x30),
		tx([]byte{0}, 0x3F, 0xFF), tx([]byte{5}, 0x10, 0x00),
	}
	synctest.Test(t, func(t *testing.T) {
		bus := &i2ctest.Playback{Ops: ops, DontPanic: true}
		cfg := kit()
		cfg.ShuntOhm, cfg.ShuntMaxW, cfg.MaxExpectedA = 0.002, 1, 20
		d, err := ina219.New(bus, cfg)
		if err != nil {
			t.Fatal(err)
		}
		for _, want := range []struct{ packV, packA float64 }{{12.00, 10}, {11.96, -10}} {
			r, err := d.Read()
			if err != nil {
				t.Fatal(err)
			}
			if r.PackV != want.packV || r.PackA != want.packA || r.BusV != 11.98 {
				t.Errorf("reading %+v, want bus 11.98 V, pack %g V, %g A exactly", r, want.packV, want.packA)
			}
		}
		if err := bus.Close(); err != nil {
			t.Error(err)
		}
	})
}

func TestFiveSeriesPackIsReadWhole(t *testing.T) { // T3: the 16 V range would give 16 V
	synctest.Test(t, func(t *testing.T) {
		d, chip, _ := device(t, kit())
		chip.Set(20.88, 5.6)
		before := time.Now()
		r, err := d.Read()
		if err != nil {
			t.Fatal(err)
		}
		if !near(r.PackV, 20.992, 1e-9) || !near(r.PackA, 5.6, 1e-9) || r.Clipped || r.SettingsFault {
			t.Errorf("reading %+v, want 20.992 V and 5.6 A", r)
		}
		if took := r.At.Sub(before); took < 136*time.Millisecond || took > 170*time.Millisecond {
			t.Errorf("first conversion ended after %v, want 136.2 ms and a poll (SBOS448F table 6)", took)
		}
		if r.TempKnown {
			t.Error("the chip has no thermometer")
		}
	})
}

func TestSideOfTheShunt(t *testing.T) { // the bus pin is IN− (SBOS448F section 8.1)
	for _, tt := range []struct {
		name                  string
		side                  ina219.Side
		busV, amps            float64 // as the chip sees them
		wantV, wantA, wantErr float64
	}{
		{"load side adds the shunt", ina219.LoadSide, 17.7, 3, 18.0, 3, 0},
		{"load side on charge", ina219.LoadSide, 18.3, -3, 18.0, -3, 0},
		{"pack side: bus is the pack, sign turns", ina219.PackSide, 18.0, -3, 18.0, 3, 0},
	} {
		synctest.Test(t, func(t *testing.T) {
			cfg := kit()
			cfg.ShuntOhm, cfg.ClipAccepted, cfg.ShuntMaxW, cfg.Side = 0.1, true, 10, tt.side
			d, chip, _ := device(t, cfg)
			chip.Set(tt.busV, tt.amps)
			r, err := d.Read()
			if err != nil {
				t.Fatal(err)
			}
			if !near(r.PackV, tt.wantV, 1e-9) || !near(r.PackA, tt.wantA, 1e-9) {
				t.Errorf("%s: %g V %g A, want %g V %g A", tt.name, r.PackV, r.PackA, tt.wantV, tt.wantA)
			}
		})
	}
}

func TestPinnedShuntIsClippedNotAFigure(t *testing.T) { // T4, A21: 0.1 Ω clips at 3.2 A
	for _, amps := range []float64{5.6, -5.6, 3.2} {
		synctest.Test(t, func(t *testing.T) {
			cfg := kit()
			cfg.ShuntOhm, cfg.ClipAccepted, cfg.ShuntMaxW = 0.1, true, 10
			d, chip, _ := device(t, cfg)
			chip.Set(14.7, amps)
			r, err := d.Read()
			if err != nil {
				t.Fatal(err)
			}
			if !r.Clipped || !near(math.Abs(r.PackA), 3.2, 1e-9) || r.SettingsFault {
				t.Errorf("%g A through 0.1 Ω: %+v, want clipped at 3.2 A and no settings fault", amps, r)
			}
		})
	}
}

func TestEveryReadingIsFresh(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d, chip, _ := device(t, kit())
		start := time.Now()
		// The inputs tell the time: 0.2 V and 0.1 A a second.
		chip.SetSource(func(at time.Time) (busV, amps float64) {
			s := at.Sub(start).Seconds()
			return 0.2 * s, 0.1 * s
		})
		for i := range 50 {
			call := time.Since(start).Seconds()
			r, err := d.Read()
			if err != nil {
				t.Fatal(err)
			}
			busS, shuntS, atS := r.BusV/0.2, r.PackA/0.1, r.At.Sub(start).Seconds()
			// One step of the converters is 20 ms and 5 ms here. The bus part of a
			// conversion takes 68.1 ms (SBOS448F table 6), its shunt part comes first.
			if busS < call-0.011 || busS > atS+0.011 || !near(busS-shuntS, 0.0681, 0.014) {
				t.Fatalf("reading %d asked for at %.3f s, ended %.3f s, has the bus voltage of %.3f s and the current of %.3f s", i, call, atS, busS, shuntS)
			}
			time.Sleep(time.Duration(i*37) * time.Millisecond)
		}
	})
}

func TestBrownOutIsNoticedRepairedAndCounted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d, chip, _ := device(t, kit())
		chip.Set(18, 2)
		if _, err := d.Read(); err != nil {
			t.Fatal(err)
		}
		chip.PowerCycle()
		chip.Set(17, 3)
		start := time.Now()
		r, err := d.Read()
		if err != nil || !near(r.PackA, 3, 1e-9) || !near(r.BusV, 17, 1e-9) {
			t.Fatalf("after a brown-out: %+v, %v", r, err)
		}
		if r.At.Sub(start) < 136*time.Millisecond {
			t.Error("the reading after the repair is not a whole conversion with the driver's settings")
		}
		if s := d.Stats(); s.Repairs != 1 || s.Errors != 0 {
			t.Errorf("stats %+v, want one repair", s)
		}
	})
}

func TestBrownOutInTheMiddleOfAReading(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d, chip, _ := device(t, kit())
		chip.Set(18, 2)
		if _, err := d.Read(); err != nil {
			t.Fatal(err)
		}
		go func() { time.Sleep(60 * time.Millisecond); chip.PowerCycle() }()
		r, err := d.Read()
		if err != nil || !near(r.PackA, 2, 1e-9) || d.Stats().Repairs != 1 {
			t.Errorf("%+v, %v, %+v", r, err, d.Stats())
		}
	})
}

func TestPoweredDownChipIsStartedAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d, chip, bus := device(t, kit())
		chip.Set(18, 2)
		if _, err := d.Read(); err != nil {
			t.Fatal(err)
		}
		if err := bus.Tx(0x40, []byte{0, 0x3F, 0xF8}, nil); err != nil { // another program meddles
			t.Fatal(err)
		}
		r, err := d.Read()
		if err != nil || !near(r.PackA, 2, 1e-9) || d.Stats().Repairs != 1 {
			t.Errorf("%+v, %v, %+v", r, err, d.Stats())
		}
	})
}

func TestConversionThatNeverEndsIsAnError(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d, chip, _ := device(t, kit())
		chip.Stick(ina219.RegBus, 0x5D98) // ready bit clear for ever
		start := time.Now()
		_, err := d.Read()
		if !errors.Is(err, ina219.ErrNotReady) {
			t.Errorf("error %v, want ErrNotReady", err)
		}
		if took := time.Since(start); took > 1100*time.Millisecond {
			t.Errorf("Read took %v, want about a second at most", took)
		}
	})
}

func TestOverflowBitIsASettingsFaultAndTheShuntStands(t *testing.T) { // A15
	synctest.Test(t, func(t *testing.T) {
		d, chip, _ := device(t, kit())
		chip.Set(18, 2)
		if _, err := d.Read(); err != nil {
			t.Fatal(err)
		}
		chip.Stick(ina219.RegBus, 4500<<3|ina219.BusReady|ina219.BusOverflow)
		r, err := d.Read()
		if err != nil || !r.SettingsFault || !near(r.PackA, 2, 1e-9) || r.BusV != 18 {
			t.Errorf("%+v, %v", r, err)
		}
	})
}

func TestOverflowCannotHappenWithTheDriversCalibration(t *testing.T) {
	for _, ohm := range []float64{0.1, 0.05, 0.02, 0.01, 0.002, 0.0013, 0.0005, 0.75} {
		synctest.Test(t, func(t *testing.T) {
			cfg := kit()
			cfg.ShuntOhm, cfg.ShuntMaxW, cfg.ClipAccepted = ohm, 1000, true
			d, chip, _ := device(t, cfg)
			for _, amps := range []float64{1e6, -1e6} {
				chip.Set(ina219.MaxBusV, amps)
				if r, err := d.Read(); err != nil || r.SettingsFault || !r.Clipped {
					t.Errorf("%g Ω at %g A: %+v, %v", ohm, amps, r, err)
				}
			}
		})
	}
}

func TestSeveralSensorsOnOneBus(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := ina219test.NewBus("i2c-3")
		for a := uint16(ina219.FirstAddress); a <= ina219.LastAddress; a++ {
			chip := ina219test.New(a, 0.02)
			chip.Set(12, float64(a-0x3F)/10)
			bus.Attach(chip)
		}
		for a := uint16(ina219.FirstAddress); a <= ina219.LastAddress; a++ {
			cfg := kit()
			cfg.Bus, cfg.Address = "i2c-3", a
			d, err := ina219.New(bus, cfg)
			if err != nil {
				t.Fatal(err)
			}
			r, err := d.Read()
			if err != nil || !near(r.PackA, float64(a-0x3F)/10, 1e-9) || d.String() != fmt.Sprintf("ina219 i2c-3/0x%02x", a) {
				t.Errorf("%v: %+v, %v", d, r, err)
			}
		}
	})
}
