package ina219test

import (
	"errors"
	"testing"
	"testing/synctest"
	"time"
)

// Every number here is from SBOS448F unless its comment says otherwise.

func read(t *testing.T, b *Bus, reg byte) uint16 {
	t.Helper()
	var r [2]byte
	if err := b.Tx(0x40, []byte{reg}, r[:]); err != nil {
		t.Fatal(err)
	}
	return uint16(r[0])<<8 | uint16(r[1])
}

func write(t *testing.T, b *Bus, reg byte, v uint16) {
	t.Helper()
	if err := b.Tx(0x40, []byte{reg, byte(v >> 8), byte(v)}, nil); err != nil {
		t.Fatal(err)
	}
}

func TestPowerOnValuesAndPointerMap(t *testing.T) { // table 4
	synctest.Test(t, func(t *testing.T) {
		b := NewBus("i2c-1", New(0x40, 0.1))
		for reg, want := range map[byte]uint16{0: 0x399F, 1: 0, 2: 0, 3: 0, 4: 0, 5: 0} {
			if got := read(t, b, reg); got != want {
				t.Errorf("register %d = 0x%04x at power-on, want 0x%04x", reg, got, want)
			}
		}
	})
}

func TestCurrentAndPowerStayZeroUntilCalibrated(t *testing.T) { // table 4, note 2
	synctest.Test(t, func(t *testing.T) {
		c := New(0x40, 0.1)
		c.Set(12, 1)
		b := NewBus("i2c-1", c)
		time.Sleep(10 * time.Millisecond)
		if s, i, p := read(t, b, 1), read(t, b, 4), read(t, b, 3); s != 10000 || i != 0 || p != 0 {
			t.Errorf("shunt %d, current %d, power %d, want 10000, 0, 0", s, i, p)
		}
	})
}

func TestWorkedExample(t *testing.T) { // table 3: 10 A through 2 mΩ at 11.98 V, calibration 0x5000
	synctest.Test(t, func(t *testing.T) {
		c := New(0x40, 0.002)
		c.Set(11.98, 10)
		b := NewBus("i2c-1", c)
		write(t, b, 5, 0x5000)
		time.Sleep(5 * time.Millisecond)
		want := []uint16{1: 0x07D0, 2: 0x5D98 | 2, 3: 0x1766, 4: 0x2710, 5: 0x5000}
		for _, reg := range []byte{1, 2, 4, 5, 3} {
			if got := read(t, b, reg); got != want[reg] {
				t.Errorf("register %d = 0x%04x, want 0x%04x", reg, got, want[reg])
			}
		}
	})
}

func TestResetBitRestoresDefaultsAndClearsItself(t *testing.T) { // page 26
	synctest.Test(t, func(t *testing.T) {
		b := NewBus("i2c-1", New(0x40, 0.1))
		write(t, b, 5, 0x1000)
		write(t, b, 0, 0x3FFF)
		write(t, b, 0, 0xBFFF)
		if cfg, cal := read(t, b, 0), read(t, b, 5); cfg != 0x399F || cal != 0 {
			t.Errorf("after reset configuration 0x%04x, calibration 0x%04x, want 0x399f and 0", cfg, cal)
		}
	})
}

func TestCalibrationBitZeroIsNotStored(t *testing.T) { // sister part reads 7FFEh for 7FFFh: vendor's forum, second hand
	synctest.Test(t, func(t *testing.T) {
		b := NewBus("i2c-1", New(0x40, 0.1))
		write(t, b, 5, 0x7FFF)
		if got := read(t, b, 5); got != 0x7FFE {
			t.Errorf("calibration reads 0x%04x, want 0x7ffe", got)
		}
	})
}

func TestConversionTimes(t *testing.T) { // tables 5 and 6, both inputs with the same setting
	for bits, one := range map[uint16]time.Duration{
		0: 84 * time.Microsecond, 1: 148 * time.Microsecond, 2: 276 * time.Microsecond, 3: 532 * time.Microsecond,
		8: 532 * time.Microsecond, 9: 1060 * time.Microsecond, 10: 2130 * time.Microsecond, 11: 4260 * time.Microsecond,
		12: 8510 * time.Microsecond, 13: 17020 * time.Microsecond, 14: 34050 * time.Microsecond, 15: 68100 * time.Microsecond,
	} {
		synctest.Test(t, func(t *testing.T) {
			b := NewBus("i2c-1", New(0x40, 0.1))
			write(t, b, 0, 0x2007|bits<<7|bits<<3)
			time.Sleep(2*one - time.Microsecond)
			if read(t, b, 2)&2 != 0 {
				t.Errorf("setting %d: ready before %v", bits, 2*one)
			}
			time.Sleep(time.Microsecond)
			if read(t, b, 2)&2 == 0 {
				t.Errorf("setting %d: not ready after %v", bits, 2*one)
			}
		})
	}
}

func TestReadyBitIsClearedByPowerReadAndByModeWrite(t *testing.T) { // page 30
	synctest.Test(t, func(t *testing.T) {
		b := NewBus("i2c-1", New(0x40, 0.1))
		ready := func() bool { return read(t, b, 2)&2 != 0 }
		time.Sleep(2 * time.Millisecond)
		if !ready() {
			t.Fatal("not ready after a conversion")
		}
		if !ready() {
			t.Fatal("reading the bus register cleared the bit")
		}
		read(t, b, 3)
		if ready() {
			t.Error("reading power did not clear the bit")
		}
		time.Sleep(2 * time.Millisecond)
		write(t, b, 0, 0x3998) // power-down
		if !ready() {
			t.Error("power-down cleared the bit")
		}
		write(t, b, 0, 0x399F)
		if ready() {
			t.Error("writing a mode did not clear the bit")
		}
	})
}

func TestTriggeredModeConvertsOnceAndKeepsItsBits(t *testing.T) { // table 6 (modes)
	synctest.Test(t, func(t *testing.T) {
		c := New(0x40, 0.1)
		c.Set(10, 1)
		b := NewBus("i2c-1", c)
		write(t, b, 0, 0x399B)
		time.Sleep(2 * time.Millisecond)
		c.Set(20, 2)
		time.Sleep(time.Second)
		if v, s, cfg := read(t, b, 2)>>3, read(t, b, 1), read(t, b, 0); v != 2500 || s != 10000 || cfg != 0x399B {
			t.Errorf("bus %d, shunt %d, configuration 0x%04x, want 2500, 10000, 0x399b", v, s, cfg)
		}
	})
}

func TestGainAndRangeEnds(t *testing.T) { // table 7 for the shunt, page 30 for the bus
	tests := []struct {
		name       string
		config     uint16
		amps       float64 // through 0.1 Ω
		shunt, bus uint16
	}{
		{"÷8, far below", 0x399F, -100, 0x8300, 0x1F40},
		{"÷8, far above", 0x399F, 100, 0x7D00, 0x1F40},
		{"÷1, far below, 16 V range", 0x019F, -100, 0xF060, 0x0FA0},
		{"÷2", 0x099F, 100, 0x1F40, 0x0FA0},
		{"÷4", 0x119F, 100, 0x3E80, 0x0FA0},
	}
	for _, tt := range tests {
		synctest.Test(t, func(t *testing.T) {
			c := New(0x40, 0.1)
			c.Set(99, tt.amps)
			b := NewBus("i2c-1", c)
			write(t, b, 0, tt.config)
			time.Sleep(2 * time.Millisecond)
			if s, v := read(t, b, 1), read(t, b, 2)>>3; s != tt.shunt || v != tt.bus {
				t.Errorf("%s: shunt 0x%04x, bus 0x%04x, want 0x%04x, 0x%04x", tt.name, s, v, tt.shunt, tt.bus)
			}
		})
	}
}

func TestOverflowBit(t *testing.T) { // page 30
	synctest.Test(t, func(t *testing.T) {
		c := New(0x40, 0.1)
		c.Set(12, 3)
		b := NewBus("i2c-1", c)
		write(t, b, 5, 0x5000) // 30000 × 20480/4096 does not fit 16 bits
		time.Sleep(2 * time.Millisecond)
		if read(t, b, 2)&1 == 0 {
			t.Error("overflow bit is clear")
		}
	})
}

func TestFaultsOfTheBus(t *testing.T) {
	b := NewBus("i2c-1", New(0x40, 0.1))
	var r [2]byte
	if err := b.Tx(0x41, []byte{0}, r[:]); !errors.Is(err, ErrNACK) {
		t.Errorf("absent address: %v, want a NACK", err)
	}
	boom := errors.New("boom")
	b.FailAt(2, boom)
	first, second, third := b.Tx(0x40, []byte{0}, r[:]), b.Tx(0x40, []byte{0}, r[:]), b.Tx(0x40, []byte{0}, r[:])
	if first != nil || second != boom || third != nil {
		t.Errorf("FailAt(2): %v, %v, %v", first, second, third)
	}
	b.Detach(0x40)
	if err := b.Tx(0x40, []byte{0}, r[:]); !errors.Is(err, ErrNACK) {
		t.Errorf("detached chip: %v, want a NACK", err)
	}
}

func TestManyMissedConversionsCostNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		calls := 0
		c := New(0x40, 0.1)
		c.SetSource(func(time.Time) (float64, float64) { calls++; return 5, 1 })
		b := NewBus("i2c-1", c)
		time.Sleep(100 * time.Hour)
		if read(t, b, 2)>>3 != 1250 || calls > 6 {
			t.Errorf("source asked %d times after 100 h", calls)
		}
	})
}
