package ina219_test

import (
	"math"
	"strings"
	"testing"

	"candlemark/sensors/ina219"
	"candlemark/sensors/ina219/ina219test"
)

func TestValidateNamesEachFaultWithItsRemedy(t *testing.T) {
	tests := []struct {
		name   string
		change func(*ina219.Config)
		field  string // "" when the configuration is sound
		want   string // part of the message
	}{
		{"sound", func(*ina219.Config) {}, "", ""},
		// Full voltages of common packs: common practice, no source. 26 V: SBOS448F page 5.
		{"7-series lithium-ion", func(c *ina219.Config) { c.FullV = 29.4 }, "FullV", "takes no more than 26 V"},
		{"8-series lithium iron phosphate", func(c *ina219.Config) { c.FullV = 29.2 }, "FullV", "another sensor or a divider"},
		{"24 V lead-acid on charge", func(c *ina219.Config) { c.FullV = 28.8 }, "FullV", "28.8 V"},
		{"26 V exactly", func(c *ina219.Config) { c.FullV = 26 }, "", ""},
		{"no full voltage", func(c *ina219.Config) { c.FullV = math.NaN() }, "FullV", "set the pack's highest voltage"},
		{"zero shunt", func(c *ina219.Config) { c.ShuntOhm = 0 }, "ShuntOhm", "not above zero"},
		{"negative shunt", func(c *ina219.Config) { c.ShuntOhm = -0.1 }, "ShuntOhm", "not above zero"},
		{"infinite shunt", func(c *ina219.Config) { c.ShuntOhm = math.Inf(1) }, "ShuntOhm", "not above zero"},
		{"milliohm written as ohm", func(c *ina219.Config) { c.ShuntOhm = 200 }, "ShuntOhm", "R100 is 0.1"},
		// 75 W behind a 90 % converter from 15 V: 75/0.9/15 = 5.6 A.
		{"0.1 Ω clips below 5.6 A", func(c *ina219.Config) { c.ShuntOhm, c.MaxExpectedA, c.ShuntMaxW = 0.1, 5.6, 5 }, "MaxExpectedA", "clips at 3.2 A, below the 5.6 A expected; fit a shunt of at most 0.0571 Ω"},
		{"the same, accepted", func(c *ina219.Config) { c.ShuntOhm, c.MaxExpectedA, c.ShuntMaxW, c.ClipAccepted = 0.1, 5.6, 5, true }, "", ""},
		{"0.1 Ω at 3.2 A exactly", func(c *ina219.Config) { c.ShuntOhm, c.MaxExpectedA = 0.1, 3.2 }, "", ""},
		{"too hot", func(c *ina219.Config) { c.ShuntMaxW = 1 }, "ShuntMaxW", "1.28 W into heat at 8 A"},
		{"heat counts though clipping is accepted", func(c *ina219.Config) { c.ShuntOhm, c.ClipAccepted = 0.1, true }, "ShuntMaxW", "6.4 W"},
		{"address below", func(c *ina219.Config) { c.Address = 0x3F }, "Address", "0x40 to 0x4f"},
		{"address above", func(c *ina219.Config) { c.Address = 0x50 }, "Address", "0x50"},
		{"bus name", func(c *ina219.Config) { c.Bus = "spi-1" }, "Bus", "i2c-1"},
		{"side", func(c *ina219.Config) { c.Side = "left" }, "Side", `"left"`},
		{"grade", func(c *ina219.Config) { c.Grade = "" }, "Grade", `"A" or "B"`},
		{"tolerance in per cent", func(c *ina219.Config) { c.ShuntTolerance = 1 }, "ShuntTolerance", "0.01 for 1 %"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			cfg := kit()
			tt.change(&cfg)
			fs := cfg.Validate()
			_, err := ina219.New(ina219test.NewBus("i2c-1"), cfg)
			if tt.field == "" {
				if len(fs) != 0 || err != nil {
					t.Errorf("faults %v, error %v", fs, err)
				}
				return
			}
			if len(fs) != 1 || fs[0].Field != tt.field || !strings.Contains(fs[0].Error(), tt.want) || err == nil {
				t.Errorf("faults %v, New error %v, want one of %s with %q", fs, err, tt.field, tt.want)
			}
		})
	}
}

func TestAllFaultsAreReportedAtOnce(t *testing.T) {
	fs := ina219.Config{}.Validate()
	seen := map[string]bool{}
	for _, f := range fs {
		seen[f.Field] = true
		if f.Problem == "" || f.Remedy == "" {
			t.Errorf("%+v lacks problem or remedy", f)
		}
	}
	for _, field := range []string{"Bus", "Address", "ShuntOhm", "ShuntTolerance", "ShuntMaxW", "MaxExpectedA", "Side", "FullV", "Grade"} {
		if !seen[field] {
			t.Errorf("nothing said of %s", field)
		}
	}
}

func TestBusNames(t *testing.T) {
	for name, want := range map[string]int{"1": 1, "i2c-1": 1, "/dev/i2c-20": 20} {
		if n, err := (ina219.Config{Bus: name}).BusNumber(); err != nil || n != want {
			t.Errorf("%q: %d, %v, want %d", name, n, err, want)
		}
	}
	for _, name := range []string{"", "i2c-", "-1", "i2c--1", "1.5", "/dev/i2c-1/x"} {
		if n, err := (ina219.Config{Bus: name}).BusNumber(); err == nil {
			t.Errorf("%q: %d, want an error", name, n)
		}
	}
}

func TestCalibration(t *testing.T) {
	for _, tt := range []struct {
		name             string
		stepNA, shuntNOh int64
		want             uint16 // 0: refused
	}{
		{"data sheet, table 3: 1 mA and 2 mΩ", 1_000_000, 2_000_000, 20480},
		{"convenience setting 100 µA and 0.1 Ω (0.04096/(1e-4 × 0.1))", 100_000, 100_000_000, 4096},
		{"10 A/32768 and 2 mΩ: 67108 does not fit", 305_176, 2_000_000, 0},
		{"odd value is made even: 4095 to 4094", 100_020, 100_000_000, 4094},
		{"largest: 65535 to 65534", 625_010, 1_000_000, 65534},
		{"step too large", 1_000_000_000_000, 100_000_000, 0},
		{"no step", 0, 100_000_000, 0},
		{"no shunt", 1000, 0, 0},
		{"product beyond 63 bits", math.MaxInt64, math.MaxInt64, 0},
	} {
		got, err := ina219.Calibration(tt.stepNA, tt.shuntNOh)
		if got != tt.want || (err == nil) != (tt.want != 0) {
			t.Errorf("%s: %d, %v, want %d", tt.name, got, err, tt.want)
		}
	}
}

func TestClippingCurrentAndHeat(t *testing.T) { // 0.32 V over the shunt: SBOS448F table 7 with Ohm's law
	for ohm, want := range map[float64]struct{ a, w float64 }{
		0.1: {3.2, 1.02}, 0.05: {6.4, 2.05}, 0.02: {16, 5.12}, 0.01: {32, 10.2}, 0.002: {160, 51.2},
	} {
		a := ina219.Config{ShuntOhm: ohm}.ClipA()
		if !near(a, want.a, 1e-9) || !near(a*a*ohm, want.w, 0.05) {
			t.Errorf("%g Ω: %g A, %g W, want %g A, %g W", ohm, a, a*a*ohm, want.a, want.w)
		}
	}
}

// Grade A, over temperature, 0.1 Ω ±1 %, gain ÷8, 18 V pack: from the maxima of
// SBOS448F page 5, the shunt's tolerance being an assumption.
func TestErrorBudget(t *testing.T) {
	cfg := kit()
	cfg.ShuntOhm = 0.1
	for _, tt := range []struct{ amps, current, power, rss float64 }{ // A, then per cent ±0.1
		{0.05, 6.0, 7.0, 4.4}, {0.5, 2.4, 3.4, 1.8}, {1, 2.2, 3.2, 1.7}, {3, 2.1, 3.1, 1.7},
	} {
		b := cfg.Budget(18-tt.amps*0.1, tt.amps)
		w := 18 * tt.amps
		if c := 100 * b.A / tt.amps; !near(c, tt.current, 0.1) {
			t.Errorf("%g A: current ±%.3f %%, want ±%g %%", tt.amps, c, tt.current)
		}
		if !near(b.V, 0.184, 0.001) {
			t.Errorf("%g A: voltage ±%.4f V, want ±0.184 V", tt.amps, b.V)
		}
		if p := 100 * b.W / w; !near(p, tt.power, 0.1) {
			t.Errorf("%g A: power ±%.3f %%, want ±%g %%", tt.amps, p, tt.power)
		}
		if p := 100 * b.RSSW / w; !near(p, tt.rss, 0.1) {
			t.Errorf("%g A: power, root sum of squares ±%.3f %%, want ±%g %%", tt.amps, p, tt.rss)
		}
	}
}

func TestOffsetOfTheGrades(t *testing.T) { // SBOS448F page 5, gain ÷8: 200 µV and 100 µV; 2 mA and 1 mA on 0.1 Ω
	for grade, want := range map[ina219.Grade]float64{ina219.GradeA: 0.002, ina219.GradeB: 0.001} {
		cfg := kit()
		cfg.ShuntOhm, cfg.Grade = 0.1, grade
		if b := cfg.Budget(18, 0); !near(b.A, want, 1e-12) {
			t.Errorf("grade %s: ±%g A at no current, want ±%g A", grade, b.A, want)
		}
	}
	cfg := kit()
	cfg.ShuntOhm, cfg.Grade = 0.1, ina219.GradeB
	if b := cfg.Budget(18, 1); !near(b.A, 0.005+0.01+0.001, 1e-12) {
		t.Errorf("grade B at 1 A: ±%g A, want ±0.016 A", b.A)
	}
}
