package plan

import (
	"time"

	"candlemark/agent/pack"
)

// Plan is everything that is asked.
type Plan struct {
	Name         string
	Site         string
	Need         time.Duration // how long it has to run; 0 is not stated
	Wet          bool          // people touch the equipment where it is wet
	Arrangements []Arrangement
	Places       []Place
	Relays       []Relay
	Stock        Stock
}

// Backhaul is how the relay reaches the terminal.
type Backhaul string

const (
	BackhaulUnknown  Backhaul = ""
	BackhaulCable    Backhaul = "cable"
	BackhaulWireless Backhaul = "wireless" // on a radio or channel of its own
	BackhaulShared   Backhaul = "shared"   // on the channel that also serves the users
)

// Arrangement is one way to do the job: all its feeds have to stay up.
type Arrangement struct {
	Name     string
	Backhaul Backhaul
	Feeds    []Feed
}

// Feed is a source and what hangs on it, in the order from the source outward.
type Feed struct {
	Source Source
	FuseA  float64 // at the source; 0 lets the plan choose
	Path   []Element
}

// SourceKind says where power comes from.
type SourceKind string

const (
	PackSource SourceKind = "pack"
	Mains      SourceKind = "mains"
	Generator  SourceKind = "generator"
)

// Source is a kind of pack with how many there are, or a supply.
type Source struct {
	Name string
	Kind SourceKind

	// Of packs. Voltages are of the whole pack.
	Chemistry   pack.Chemistry
	SeriesCells int
	NominalV    float64
	FullV       float64 // end of charge
	CutoffV     float64
	LabelWh     float64
	CapacityAh  float64
	Count       int     // on hand
	Together    int     // in use side by side at once, 1 unless made for it
	Health      float64 // capacity against new
	HealthKnown bool
	Usable      float64 // part of the capacity to use
	TempC       float64
	TempKnown   bool
	Peukert     float64 // exponent; 1 has no effect
	RatedTime   time.Duration
	MostA       float64 // most the pack may give, A; 0 unknown
	OwnCutoff   bool    // the pack itself switches off at its cut-off

	// Of supplies.
	SupplyV float64
	MostW   float64       // 0 unknown
	RunsFor time.Duration // of a generator on the fuel at hand; 0 unknown
}

// volts are the lowest, the usual and the highest voltage of the source.
func (s Source) volts() (low, usual, high float64) {
	if s.Kind != PackSource {
		return s.SupplyV, s.SupplyV, s.SupplyV
	}
	return s.CutoffV, max(s.NominalV, s.CutoffV), max(s.FullV, s.NominalV)
}

// Alternating says whether the source is line voltage, which is no work for
// whoever reads this.
func (s Source) Alternating() bool { return s.Kind != PackSource && s.SupplyV > ExtraLowV }

// Element is one thing on a path.
type Element interface {
	label() string
	kind() string
}

// Connectors are contacts in the path, both polarities counted.
type Connectors struct {
	Name  string
	Ohm   float64 // of each
	Count int
}

// Injection is how a converter puts power on a network cable.
type Injection string

const (
	NoInjection       Injection = ""
	PassiveInjection  Injection = "passive"
	EthernetInjection Injection = "ieee802.3"
)

// EfficiencyAt is a converter's efficiency at a share of its rated power.
type EfficiencyAt struct{ Share, Efficiency float64 }

// Converter feeds what follows it with OutputV. A passive injector with OutputV 0
// only joins the cable to what is before it.
type Converter struct {
	Name            string
	Injection       Injection
	Class           int // of ieee802.3
	OutputV         float64
	InputMinV       float64 // 0 unknown
	InputMaxV       float64 // 0 unknown
	LockoutV        float64 // 0 unknown
	RatedW          float64 // 0 unknown
	IdleW           float64
	Efficiency      []EfficiencyAt // at least one; by rising share
	EfficiencyKnown bool
}

// DefaultEfficiency is assumed where none is stated (common practice 85 to 95 %
// for converters without isolation, no source).
const DefaultEfficiency = 0.85

func (c Converter) passesThrough() bool { return c.OutputV == 0 }

// at is the efficiency with outputW delivered.
func (c Converter) at(outputW float64) float64 {
	t := make([]point, len(c.Efficiency))
	for i, e := range c.Efficiency {
		t[i] = point{e.Share, e.Efficiency}
	}
	switch {
	case len(t) == 0:
		return DefaultEfficiency
	case c.RatedW <= 0:
		return t[len(t)-1].y
	}
	return interpolate(t, outputW/c.RatedW)
}

// leastInputV is where it stops, where that is known.
func (c Converter) leastInputV() float64 { return max(c.InputMinV, c.LockoutV) }

// startsAtV is where it begins to draw; the least input stands in for a lock-out
// that is not stated.
func (c Converter) startsAtV() float64 {
	if c.LockoutV > 0 {
		return c.LockoutV
	}
	return c.InputMinV
}

// Load draws constant power for a share of the time.
type Load struct {
	Name     string
	PowerW   float64
	StandbyW float64 // in the rest of the time
	Duty     float64
	MinV     float64 // 0 unknown
	MaxV     float64 // 0 unknown
	NominalV float64 // 0 unknown
}

func (c Conductor) label() string  { return c.Name }
func (c Connectors) label() string { return c.Name }
func (c Converter) label() string  { return c.Name }
func (l Load) label() string       { return l.Name }

func (c Conductor) kind() string  { return "conductor" }
func (c Connectors) kind() string { return "connectors" }
func (c Converter) kind() string {
	if c.Injection != NoInjection {
		return "injector"
	}
	return "converter"
}
func (l Load) kind() string { return "load" }
