package ina219test

import (
	"encoding/binary"
	"math"
	"sync"
	"time"
)

// Source gives what a chip would see at a time: the voltage from IN− to ground
// in V, and the current from IN+ to IN− in A. A chip asks for times that do not
// go back.
type Source func(at time.Time) (busV, amps float64)

// Chip is one fake INA219. Its methods may be called from several goroutines.
type Chip struct {
	addr     uint16
	shuntOhm float64

	mu      sync.Mutex
	source  Source
	speed   float64 // conversions run this much faster than the data sheet says
	stuck   map[byte]uint16
	garbage func(reg byte) uint16

	config, calibration uint16
	pointer             byte
	shunt               int16
	bus                 uint16 // in steps of 4 mV
	current             int16
	power               uint16
	ready, overflow     bool

	cycleStart time.Time // the conversion under way, or waited for, began here
	shuntDone  bool      // of that conversion
	halted     bool      // power-down, converter off, or a triggered conversion ended
}

// New makes a powered chip that sees 0 V and 0 A.
func New(addr uint16, shuntOhm float64) *Chip {
	c := &Chip{addr: addr, shuntOhm: shuntOhm, speed: 1, stuck: map[byte]uint16{}}
	c.source = func(time.Time) (float64, float64) { return 0, 0 }
	c.reset()
	return c
}

// Set makes the chip see a steady voltage at IN− (V) and current (A).
func (c *Chip) Set(busV, amps float64) {
	c.SetSource(func(time.Time) (float64, float64) { return busV, amps })
}

// SetSource makes the chip see what a function gives.
func (c *Chip) SetSource(s Source) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.convert() // what ended until now saw the old source
	c.source = s
}

// SetSpeed makes conversions take 1/factor of their time.
func (c *Chip) SetSpeed(factor float64) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.speed = factor
}

// PowerCycle is a brown-out: every register falls back to its power-on value.
func (c *Chip) PowerCycle() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.reset()
}

// Stick makes a register read as v whatever happens inside. Unstick undoes it.
func (c *Chip) Stick(reg byte, v uint16) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.stuck[reg] = v
}

// Unstick undoes every Stick.
func (c *Chip) Unstick() {
	c.mu.Lock()
	defer c.mu.Unlock()
	clear(c.stuck)
}

// Garbage makes every register read as f says; nil undoes it.
func (c *Chip) Garbage(f func(reg byte) uint16) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.garbage = f
}

func (c *Chip) reset() {
	c.config, c.calibration, c.pointer = 0x399F, 0, 0
	c.shunt, c.bus, c.current, c.power = 0, 0, 0, 0
	c.ready, c.overflow = false, false
	c.begin(time.Now())
}

func (c *Chip) begin(at time.Time) {
	c.cycleStart, c.shuntDone = at, false
	c.halted = c.config&7 == 0 || c.config&7 == 4
}

// adcTime is the typical conversion time of one input (SBOS448F table 5).
func adcTime(bits uint16) time.Duration {
	if bits&8 == 0 {
		return [4]time.Duration{84, 148, 276, 532}[bits&3] * time.Microsecond
	}
	return [8]time.Duration{532, 1060, 2130, 4260, 8510, 17020, 34050, 68100}[bits&7] * time.Microsecond
}

// times are the durations of the shunt's and the bus's part of a conversion.
func (c *Chip) times() (shunt, bus time.Duration) {
	if c.config&1 != 0 {
		shunt = time.Duration(float64(adcTime(c.config>>3&15)) / c.speed)
	}
	if c.config&2 != 0 {
		bus = time.Duration(float64(adcTime(c.config>>7&15)) / c.speed)
	}
	return shunt, bus
}

// convert carries out what should have ended by now. Of many conversions that
// nobody looked at only the last two are computed: the rest leave no trace.
func (c *Chip) convert() {
	now := time.Now()
	shunt, bus := c.times()
	cycle := max(shunt+bus, time.Nanosecond)
	if n := now.Sub(c.cycleStart)/cycle - 1; n > 0 && !c.halted && c.config&4 != 0 {
		c.cycleStart, c.shuntDone = c.cycleStart.Add(n*cycle), false
	}
	for !c.halted {
		if at := c.cycleStart.Add(shunt); c.config&1 != 0 && !c.shuntDone {
			if now.Before(at) {
				return
			}
			c.takeShunt(at)
			c.shuntDone = true
		}
		at := c.cycleStart.Add(cycle)
		if now.Before(at) {
			return
		}
		if c.config&2 != 0 {
			c.takeBus(at)
		}
		c.calculate()
		c.begin(at)
		if c.config&4 == 0 {
			c.halted = true // triggered: one conversion
		}
	}
}

func (c *Chip) takeShunt(at time.Time) {
	_, amps := c.source(at)
	end := float64(int(4000) << (c.config >> 11 & 3)) // 40 mV in 10 µV steps, times the gain's divisor
	c.shunt = int16(clamp(amps*c.shuntOhm/10e-6, -end, end))
}

func (c *Chip) takeBus(at time.Time) {
	busV, _ := c.source(at)
	end := 4000.0 // 16 V
	if c.config&(1<<13) != 0 {
		end = 8000
	}
	c.bus = uint16(clamp(busV/4e-3, 0, end))
}

// calculate fills current and power and sets the two flags (SBOS448F page 30).
func (c *Chip) calculate() {
	i := int64(c.shunt) * int64(c.calibration) / 4096
	p := max(i, -i) * int64(c.bus) / 5000
	c.current, c.power = int16(i), uint16(p)
	c.overflow = i > math.MaxInt16 || i < math.MinInt16 || p > math.MaxUint16
	c.ready = true
}

func clamp(v, lo, hi float64) float64 {
	if math.IsNaN(v) {
		return 0
	}
	return math.Max(lo, math.Min(hi, math.Round(v)))
}

func (c *Chip) tx(w, r []byte) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.convert()
	if len(w) > 0 {
		c.pointer = w[0]
	}
	if len(w) >= 3 {
		c.write(binary.BigEndian.Uint16(w[1:]))
	}
	for i := range r {
		r[i] = 0xFF // nobody drives the line
	}
	if len(r) >= 2 {
		binary.BigEndian.PutUint16(r, c.read())
	}
}

func (c *Chip) write(v uint16) {
	switch c.pointer {
	case 0:
		if v&0x8000 != 0 {
			c.reset()
			return
		}
		c.config = v
		if v&7 != 0 && v&7 != 4 {
			c.ready = false
		}
		c.begin(time.Now())
	case 5:
		c.calibration = v &^ 1
	}
}

func (c *Chip) read() uint16 {
	if c.garbage != nil {
		return c.garbage(c.pointer)
	}
	if v, ok := c.stuck[c.pointer]; ok {
		return v
	}
	switch c.pointer {
	case 0:
		return c.config
	case 1:
		return uint16(c.shunt)
	case 2:
		v := c.bus << 3
		if c.ready {
			v |= 2
		}
		if c.overflow {
			v |= 1
		}
		return v
	case 3:
		c.ready = false
		return c.power
	case 4:
		return uint16(c.current)
	case 5:
		return c.calibration
	}
	return 0
}
