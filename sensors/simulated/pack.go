package simulated

import (
	"fmt"
	"math/rand/v2"
	"sync"
	"time"

	"candlemark/sensors"
	"candlemark/sensors/ina219"
	"candlemark/sensors/ina219/ina219test"
)

// stepS is the longest step of the integration, in simulated seconds.
const stepS = 1.0

// longest is how far TimeToCutoff looks.
const longest = 1000 * time.Hour

// Pack is a simulated pack with its load and its sensor. Its methods may be
// called from several goroutines.
type Pack struct {
	cfg   Config
	start time.Time
	chip  *ina219test.Chip
	bus   *ina219test.Bus

	mu    sync.Mutex
	c     circuit
	lived float64 // simulated seconds so far
	noise *rand.Rand
}

// New makes a pack whose time begins now. It starts nothing: the pack is brought
// up to date whenever somebody looks.
func New(cfg Config) (*Pack, error) {
	if err := cfg.validate(); err != nil {
		return nil, fmt.Errorf("simulated pack: %w", err)
	}
	cl, _ := cfg.Chemistry.cell() // validate has looked
	chip := ina219test.New(cfg.Address, cfg.ShuntOhm)
	p := &Pack{
		cfg: cfg, start: time.Now(), chip: chip, bus: ina219test.NewBus(cfg.Bus, chip),
		c:     circuit{cfg: cfg, cl: cl, ocv: tabulate(cl.ocv), charge: cfg.InitialCharge, loadW: cfg.LoadW},
		noise: rand.New(rand.NewPCG(cfg.Seed, 0x5eed)),
	}
	// The driver refuses what its chip could not stand, a pack beyond 26 V first of all.
	if _, err := p.newDevice(); err != nil {
		return nil, fmt.Errorf("simulated pack: its sensor: %w", err)
	}
	p.chip.SetSpeed(cfg.Speed)
	p.chip.SetSource(p.seen)
	return p, nil
}

// Bus is the fake I2C bus, for fault injection and for a program under
// i2cshim. A program that reads it directly sees the pack in real time stamps.
func (p *Pack) Bus() *ina219test.Bus { return p.bus }

// Chip is the fake INA219, for fault injection.
func (p *Pack) Chip() *ina219test.Chip { return p.chip }

// SensorConfig is the driver's configuration that fits the pack.
func (p *Pack) SensorConfig() ina219.Config { return p.cfg.sensor(p.c.cl) }

// seen is what the chip measures: the bus pin is on the load side.
func (p *Pack) seen(at time.Time) (busV, amps float64) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.advance(at)
	packV, packA := p.c.solve()
	busV = packV - packA*p.cfg.ShuntOhm + p.cfg.NoiseV*p.noise.NormFloat64()
	return busV, packA + p.cfg.NoiseA*p.noise.NormFloat64()
}

// advance lives until a moment of real time; one in the past changes nothing.
func (p *Pack) advance(at time.Time) {
	for left := at.Sub(p.start).Seconds()*p.cfg.Speed - p.lived; left > 0; left -= stepS {
		dt := min(left, stepS)
		p.c.step(dt)
		p.lived += dt
	}
}

// simTime maps real time to the simulated time line.
func (p *Pack) simTime(at time.Time) time.Time {
	return p.start.Add(time.Duration(float64(at.Sub(p.start)) * p.cfg.Speed))
}

// change brings the pack up to date and then changes it.
func (p *Pack) change(f func(*circuit)) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.advance(time.Now())
	f(&p.c)
}

// SetLoadW sets what the load takes, W; less than 0 is taken as 0.
func (p *Pack) SetLoadW(w float64) { p.change(func(c *circuit) { c.loadW = max(0, w) }) }

// SetChargerW connects a charger or mains feed of so many watts at the pack's
// terminals, 0 none. It serves the load first and charges with the rest. A load
// that was cut off comes back.
func (p *Pack) SetChargerW(w float64) {
	p.change(func(c *circuit) {
		c.chargerW = max(0, w)
		if c.chargerW > 0 {
			c.cut = false
		}
	})
}

// Swap fits a full, rested pack of the same kind and switches the load on again.
func (p *Pack) Swap() {
	p.change(func(c *circuit) { c.charge, c.relaxedV, c.cut, c.absent = 1, 0, false, false })
}

// Remove takes the pack away: 0 V and 0 A until Swap.
func (p *Pack) Remove() { p.change(func(c *circuit) { c.absent = true }) }

// Truth is the state that no sensor error touches.
type Truth struct {
	At          time.Time     // on the simulated time line
	Elapsed     time.Duration // simulated, since New
	PackV       float64       // V at the terminals
	PackA       float64       // A, positive on discharge
	LoadW       float64       // W that reach the load now
	ChargeRatio float64       // of CapacityAh
	ChargeAh    float64
	LoadCut     bool // the converter has locked out, or the pack's protection has opened
	Absent      bool
}

// Truth looks at the pack now.
func (p *Pack) Truth() Truth {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.advance(time.Now())
	packV, packA := p.c.solve()
	elapsed := time.Duration(p.lived * float64(time.Second))
	t := Truth{
		At: p.start.Add(elapsed), Elapsed: elapsed, PackV: packV, PackA: packA,
		ChargeRatio: p.c.charge, ChargeAh: p.c.charge * p.cfg.CapacityAh,
		LoadCut: p.c.cut, Absent: p.c.absent,
	}
	if !p.c.cut && !p.c.absent {
		t.LoadW = p.c.loadW
	}
	if p.c.absent {
		t.ChargeRatio, t.ChargeAh = 0, 0
	}
	return t
}

// TimeToCutoff is the simulated time until the voltage under the present load
// falls to the cut-off or the load is cut off, 0 when that has happened. It is
// unknown while no pack is fitted or none is drawn from, and beyond 1000 hours.
func (p *Pack) TimeToCutoff() (time.Duration, bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.advance(time.Now())
	c := p.c
	if c.absent {
		return 0, false
	}
	for s := 0.0; s < longest.Seconds(); s += stepS {
		if c.atCutoff() {
			return time.Duration(s * float64(time.Second)), true
		}
		if _, packA := c.solve(); packA <= 0 {
			return 0, false
		}
		c.step(stepS)
	}
	return 0, false
}

// Sensor makes a sensor that reads the pack through the INA219 driver, its
// times on the simulated time line. One goroutine owns it.
func (p *Pack) Sensor() sensors.Sensor {
	d, err := p.newDevice()
	if err != nil {
		panic("simulated: New let a faulty sensor pass: " + err.Error())
	}
	return &sensor{pack: p, Device: d}
}

func (p *Pack) newDevice() (*ina219.Device, error) { return ina219.New(p.bus, p.SensorConfig()) }

type sensor struct {
	pack *Pack
	*ina219.Device
}

func (s *sensor) Read() (sensors.Reading, error) {
	r, err := s.Device.Read()
	if err == nil {
		r.At = s.pack.simTime(r.At)
	}
	return r, err
}

func (s *sensor) String() string { return "simulated " + s.Device.String() }
