package ina219_test

import (
	"errors"
	"fmt"
	"io/fs"
	"math"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"candlemark/sensors"
	"candlemark/sensors/ina219"
	"candlemark/sensors/ina219/ina219test"
)

// An error at each exchange of set-up and reading in turn: once, it is mended
// inside Read; lasting, it names bus, address and step.
func TestErrorAtEveryExchange(t *testing.T) {
	for _, firstRead := range []bool{true, false} {
		for n := 1; ; n++ {
			var used int
			synctest.Test(t, func(t *testing.T) {
				d, chip, bus := device(t, kit())
				chip.Set(18, 2)
				if !firstRead {
					if _, err := d.Read(); err != nil {
						t.Fatal(err)
					}
				}
				before := bus.Exchanges()
				bus.FailAt(n, fmt.Errorf("exchange %d: %w", n, ina219test.ErrNACK))
				r, err := d.Read()
				used = bus.Exchanges() - before
				if err != nil || !near(r.PackA, 2, 1e-9) || !near(r.BusV, 18, 1e-9) {
					t.Errorf("one NACK at exchange %d (first %v): %+v, %v", n, firstRead, r, err)
				}
				if used > n && d.Stats().Errors != 1 {
					t.Errorf("NACK at exchange %d: stats %+v, want one error", n, d.Stats())
				}
			})
			if used < n {
				break
			}
		}
	}
}

func TestLastingErrorNamesBusAddressAndStepInBoundedTime(t *testing.T) {
	steps := map[int]string{
		1: "write calibration", 2: "write configuration", 3: "read configuration", 4: "read calibration",
		5: "clear conversion ready", 6: "read bus voltage",
	}
	for n, step := range steps {
		synctest.Test(t, func(t *testing.T) {
			d, _, bus := device(t, kit())
			for again := 0; again < 3; again++ { // the same exchange of each of three attempts
				bus.FailAt((again+1)*n, ina219test.ErrNACK)
			}
			start := time.Now()
			_, err := d.Read()
			if !errors.Is(err, ina219test.ErrNACK) || !strings.HasPrefix(err.Error(), "ina219 i2c-1/0x40: "+step+": ") {
				t.Errorf("exchange %d: %v, want step %q", n, err, step)
			}
			if took := time.Since(start); took > time.Second || d.Stats().Errors != 3 {
				t.Errorf("exchange %d: %v, %+v", n, took, d.Stats())
			}
		})
	}
}

func TestSensorGoesAndComesBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d, chip, bus := device(t, kit())
		chip.Set(18, 2)
		bus.Detach(0x40)
		for range 2 {
			if _, err := d.Read(); !errors.Is(err, ina219test.ErrNACK) {
				t.Fatalf("absent chip: %v", err)
			}
		}
		bus.Attach(chip)
		if r, err := d.Read(); err != nil || !near(r.PackA, 2, 1e-9) {
			t.Fatalf("chip fitted: %+v, %v", r, err)
		}
		bus.FailAll(errors.New("bus held low"))
		if _, err := d.Read(); err == nil {
			t.Fatal("no error from a dead bus")
		}
		bus.FailAll(nil)
		chip.PowerCycle()
		if r, err := d.Read(); err != nil || !near(r.PackA, 2, 1e-9) {
			t.Fatalf("bus back: %+v, %v", r, err)
		}
		if s := d.Stats(); s.Reconnects != 2 || s.Errors != 9 || s.Repairs != 0 {
			t.Errorf("stats %+v, want 2 reconnects, 9 errors, no repair", s)
		}
	})
}

func TestAbsentBusIsAnErrorOfReadNotOfOpen(t *testing.T) {
	cfg := kit()
	cfg.Bus = "i2c-65000"
	d, err := ina219.Open(cfg)
	if err != nil {
		t.Fatal(err)
	}
	_, err = d.Read()
	if !errors.Is(err, fs.ErrNotExist) || !strings.HasPrefix(err.Error(), "ina219 i2c-65000/0x40: open bus: ") {
		t.Errorf("%v, want a missing /dev/i2c-65000", err)
	}
}

func TestGarbageIsAnErrorNotAFigure(t *testing.T) {
	for _, tt := range []struct {
		name    string
		garbage func(reg byte) uint16
		want    string
	}{
		{"line stuck high", func(byte) uint16 { return 0xFFFF }, "does not hold them: configuration is 0xffff"},
		{"line stuck low", func(byte) uint16 { return 0 }, "does not hold them: configuration is 0x0000"},
		{"bus voltage above the converter's end", func(reg byte) uint16 {
			return map[byte]uint16{0: 0x3FFF, 5: 0x1000, 2: 8001<<3 | 2}[reg]
		}, "cannot be a bus voltage"},
		{"bus voltage beyond the rating and its error", func(reg byte) uint16 { // 26 V (SBOS448F page 5, note 2) and 0.5 %
			return map[byte]uint16{0: 0x3FFF, 5: 0x1000, 2: 6600<<3 | 2}[reg]
		}, "26.40 V is more than the chip's 26 V: unplug the pack now"},
		{"bit that always reads 0 is set", func(reg byte) uint16 {
			return map[byte]uint16{0: 0x3FFF, 5: 0x1000, 2: 3000<<3 | 6}[reg]
		}, "cannot be a bus voltage"},
		{"settings lost again and again", func(reg byte) uint16 {
			return map[byte]uint16{0: 0x3FFF, 5: 0x0FFE, 2: 3000<<3 | 2}[reg]
		}, "calibration is 0x0ffe instead of 0x1000"},
	} {
		synctest.Test(t, func(t *testing.T) {
			d, chip, _ := device(t, kit())
			chip.Garbage(tt.garbage)
			if r, err := d.Read(); err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("%s: %+v, %v, want %q", tt.name, r, err, tt.want)
			}
		})
	}
}

func FuzzRegisters(f *testing.F) {
	f.Add([]byte{0x3F, 0xFF, 0x10, 0x00, 0x5D, 0x9A, 0x07, 0xD0}, true)
	f.Add([]byte{0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF}, false)
	f.Fuzz(func(t *testing.T, raw []byte, holds bool) {
		synctest.Test(t, func(t *testing.T) {
			d, chip, _ := device(t, kit())
			i := 0
			chip.Garbage(func(reg byte) uint16 {
				if holds && reg == ina219.RegConfig {
					return 0x3FFF
				}
				if holds && reg == ina219.RegCalibration {
					return 0x1000
				}
				if len(raw) < 2 {
					return 0
				}
				i = (i + 2) % (len(raw) &^ 1)
				return uint16(raw[i])<<8 | uint16(raw[i+1])
			})
			r, err := d.Read()
			if err != nil {
				if r != (sensors.Reading{}) || !strings.HasPrefix(err.Error(), "ina219 i2c-1/0x40: ") {
					t.Fatalf("%+v with error %v", r, err)
				}
				return
			}
			for _, v := range []float64{r.PackV, r.PackA, r.BusV, r.ErrV, r.ErrA, r.ErrW} {
				if math.IsNaN(v) || math.IsInf(v, 0) {
					t.Fatalf("%+v", r)
				}
			}
			if r.BusV < 0 || r.BusV > 32 || math.Abs(r.PackA) > 16.4 || r.ErrA <= 0 || r.ErrV <= 0 {
				t.Fatalf("impossible reading %+v", r)
			}
		})
	})
}
