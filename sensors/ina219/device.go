package ina219

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"time"

	"periph.io/x/conn/v3/i2c"

	"candlemark/sensors"
)

// Times that bound a Read. A conversion of both inputs takes 136 ms, at most
// about 150 ms (SBOS448F pages 5 and 27: 586 µs for 532 µs).
const (
	readyWithin  = 250 * time.Millisecond // longest wait for the conversion-ready bit
	firstPoll    = 2 * time.Millisecond   // doubled to longestPoll, for chips with less averaging pending
	longestPoll  = 16 * time.Millisecond
	readWithin   = time.Second // a Read begins no further attempt that could end later than about this
	firstBackOff = 10 * time.Millisecond
	maxAttempts  = 3
)

// ErrNotReady says that a chip with the right settings ended no conversion in time.
var ErrNotReady = errors.New("no conversion ended within 250 ms")

// ErrBeyondRating says that the bus voltage is more than the chip stands, MaxBusV.
var ErrBeyondRating = errors.New("more than the chip's 26 V")

// Device is one chip. One goroutine owns it; only Stats and String may be called
// from others.
type Device struct {
	cfg       Config
	name      string
	open      func() (i2c.BusCloser, error)
	cal       uint16
	shuntNOhm int64

	bus    i2c.BusCloser // nil until opened
	ready  bool          // settings were written and read back
	failed bool          // the last Read failed
	count  counters
}

// New makes a sensor on a bus that the caller opened and will close. It touches
// no hardware: the first Read does.
func New(bus i2c.Bus, cfg Config) (*Device, error) {
	if bus == nil {
		return nil, errors.New("ina219: no bus given")
	}
	return newDevice(cfg, func() (i2c.BusCloser, error) { return lent{bus}, nil })
}

// lent is a bus that belongs to somebody else.
type lent struct{ i2c.Bus }

func (lent) Close() error { return nil }

func newDevice(cfg Config, open func() (i2c.BusCloser, error)) (*Device, error) {
	if err := cfg.fault(); err != nil {
		return nil, err
	}
	n, _ := cfg.BusNumber() // Validate has parsed it
	d := &Device{
		cfg:       cfg,
		name:      fmt.Sprintf("ina219 i2c-%d/0x%02x", n, cfg.Address),
		open:      open,
		shuntNOhm: int64(math.Round(cfg.ShuntOhm * 1e9)),
	}
	// One step of the current register is the current of one shunt step: finer
	// would invent digits, and the register then cannot overflow (Cal = 4096 at most).
	stepNA := (shuntStepUV*1e12 + d.shuntNOhm - 1) / d.shuntNOhm // rounded up
	cal, err := Calibration(stepNA, d.shuntNOhm)
	if err != nil {
		return nil, err
	}
	d.cal = cal
	return d, nil
}

// String names the sensor: "ina219 i2c-1/0x40".
func (d *Device) String() string { return d.name }

// Close closes the bus if Open opened it. A later Read opens it again.
func (d *Device) Close() error {
	d.ready = false
	if d.bus == nil {
		return nil
	}
	bus := d.bus
	d.bus = nil
	if err := bus.Close(); err != nil {
		return fmt.Errorf("%s: close bus: %w", d.name, err)
	}
	return nil
}

// Read returns a reading whose conversion ended after the call. It retries
// failed exchanges, each time from the start, for at most about a second.
// The error names bus, address and step.
func (d *Device) Read() (sensors.Reading, error) {
	deadline := time.Now().Add(readWithin)
	backOff := firstBackOff
	for attempt := 1; ; attempt++ {
		r, err := d.sample()
		if err == nil {
			if d.failed {
				d.failed = false
				d.count.reconnects.Add(1)
			}
			return r, nil
		}
		d.count.errors.Add(1)
		// Start over, from opening the bus: an adapter that was unplugged has a
		// dead handle. An error of closing says nothing the first does not.
		_ = d.Close()
		if attempt == maxAttempts || time.Until(deadline) < backOff+readyWithin {
			d.failed = true
			return sensors.Reading{}, fmt.Errorf("%s: %w", d.name, err)
		}
		time.Sleep(backOff)
		backOff *= 4
	}
}

// sample takes one reading, writing lost settings again once.
func (d *Device) sample() (sensors.Reading, error) {
	if !d.ready {
		if err := d.connect(); err != nil {
			return sensors.Reading{}, err
		}
	}
	for repaired := false; ; repaired = true {
		// Reading the power register clears the conversion-ready bit (SBOS448F page 30).
		if _, err := d.get(RegPower, "clear conversion ready"); err != nil {
			return sensors.Reading{}, err
		}
		bus, err := d.await()
		if err != nil {
			return sensors.Reading{}, err
		}
		at := time.Now()
		shunt, err := d.get(RegShunt, "read shunt voltage")
		if err != nil {
			return sensors.Reading{}, err
		}
		// Checked after the figures were taken, so that it vouches for them.
		what, err := d.lost()
		if err != nil {
			return sensors.Reading{}, err
		}
		switch {
		case what != "" && repaired:
			return sensors.Reading{}, fmt.Errorf("check settings: lost again within one reading: %s", what)
		case what != "":
			d.count.repairs.Add(1)
			if err := d.configure(); err != nil {
				return sensors.Reading{}, err
			}
		case bus&BusReady == 0:
			return sensors.Reading{}, fmt.Errorf("wait for conversion: %w", ErrNotReady)
		default:
			return d.decode(at, bus, shunt)
		}
	}
}

// connect opens the bus and sets the chip up.
func (d *Device) connect() error {
	if d.bus == nil {
		bus, err := d.open()
		if err != nil {
			return fmt.Errorf("open bus: %w", err)
		}
		d.bus = bus
	}
	if err := d.configure(); err != nil {
		return err
	}
	d.ready = true
	return nil
}

// configure writes calibration and configuration and reads both back: a chip
// that does not hold them is another chip, or broken.
func (d *Device) configure() error {
	if err := d.put(RegCalibration, d.cal, "write calibration"); err != nil {
		return err
	}
	if err := d.put(RegConfig, settings, "write configuration"); err != nil {
		return err
	}
	what, err := d.lost()
	if err != nil {
		return err
	}
	if what != "" {
		return fmt.Errorf("check settings: the chip does not hold them: %s", what)
	}
	return nil
}

// lost says in words which setting is not what was written, or "".
func (d *Device) lost() (string, error) {
	cfg, err := d.get(RegConfig, "read configuration")
	if err != nil {
		return "", err
	}
	cal, err := d.get(RegCalibration, "read calibration")
	if err != nil {
		return "", err
	}
	switch {
	case cfg != settings:
		return fmt.Sprintf("configuration is 0x%04x instead of 0x%04x", cfg, settings), nil
	case cal != d.cal:
		return fmt.Sprintf("calibration is 0x%04x instead of 0x%04x", cal, d.cal), nil
	}
	return "", nil
}

// await polls the bus register until a conversion has ended. Without one it
// returns the last value, ready bit clear: the caller first asks whether the
// settings were lost.
func (d *Device) await() (uint16, error) {
	end := time.Now().Add(readyWithin)
	for pause := firstPoll; ; pause = min(2*pause, longestPoll) {
		bus, err := d.get(RegBus, "read bus voltage")
		if err != nil || bus&BusReady != 0 || !time.Now().Before(end) {
			return bus, err
		}
		time.Sleep(pause)
	}
}

// decode turns the two registers into a reading, in integers as far as they go.
func (d *Device) decode(at time.Time, bus, shunt uint16) (sensors.Reading, error) {
	steps := int64(bus >> 3)
	if bus&busUnused != 0 || steps > busFullScale {
		return sensors.Reading{}, fmt.Errorf("read bus voltage: 0x%04x cannot be a bus voltage", bus)
	}
	busUV := steps * busStepUV
	n := int64(int16(shunt))
	r := sensors.Reading{
		At:            at,
		BusV:          float64(busUV) / 1e6,
		Clipped:       n >= shuntPinned || n <= -shuntPinned,
		SettingsFault: bus&BusOverflow != 0,
	}
	// At most 32768 × 10^13, well inside 63 bits.
	nanoamps := n * (shuntStepUV * 1e12) / d.shuntNOhm
	if d.cfg.Side == PackSide {
		r.PackV, r.PackA = r.BusV, float64(-nanoamps)/1e9
	} else {
		r.PackV, r.PackA = float64(busUV+n*shuntStepUV)/1e6, float64(nanoamps)/1e9
	}
	b := d.cfg.Budget(r.BusV, r.PackA)
	r.ErrV, r.ErrA, r.ErrW = b.V, b.A, b.W
	if r.BusV-r.ErrV > MaxBusV { // within the error it may still be what the chip stands
		return sensors.Reading{}, fmt.Errorf("read bus voltage: %.2f V is %w: unplug the pack now; a sensor that has had more may be damaged, so replace it", r.BusV, ErrBeyondRating)
	}
	return r, nil
}

func (d *Device) get(reg byte, step string) (uint16, error) {
	var b [2]byte
	if err := d.bus.Tx(d.cfg.Address, []byte{reg}, b[:]); err != nil {
		return 0, fmt.Errorf("%s: %w", step, err)
	}
	return binary.BigEndian.Uint16(b[:]), nil
}

func (d *Device) put(reg byte, v uint16, step string) error {
	if err := d.bus.Tx(d.cfg.Address, []byte{reg, byte(v >> 8), byte(v)}, nil); err != nil {
		return fmt.Errorf("%s: %w", step, err)
	}
	return nil
}
