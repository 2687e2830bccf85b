// Package pack estimates how long a battery pack will last. (Package comment to be written by the estimator's author.)
package pack

import "time"

// Chemistry is a family of cells that share an open-circuit-voltage curve.
type Chemistry string

const (
	LiIon    Chemistry = "li-ion"
	LFP      Chemistry = "lfp"
	LeadAcid Chemistry = "lead-acid"
)

// Spec is what is known of a pack before anything is measured.
type Spec struct {
	Chemistry   Chemistry
	SeriesCells int     // cells in series, at least 1
	CapacityAh  float64 // label capacity of the whole pack, Ah
	FullV       float64 // full (charging) voltage of the whole pack, V; 0 takes the chemistry's usual value

	// The cut-off under load is the highest of these three, all in volts of the
	// whole pack; the last is referred to the pack through FeedOhm at the load current.
	CutoffV  float64 // the pack's own limit
	LockoutV float64 // the converter's under-voltage lock-out; 0 when there is none
	FarMinV  float64 // the least voltage the far end accepts; 0 when it is not fed directly
	FeedOhm  float64 // resistance of the feed out and back, ohm
}

// Sample is one reading on the pack's own time line.
type Sample struct {
	T         time.Duration // since an arbitrary zero; never decreases
	PackV     float64       // V, whole pack
	PackA     float64       // A, positive on discharge
	TempC     float64       // °C, only where TempKnown
	TempKnown bool
	Clipped   bool // the true current is at least PackA
}

// State is what the pack is doing.
type State string

const (
	Unknown     State = "unknown"     // not enough seen yet, or the readings contradict each other
	Discharging State = "discharging" // feeding the load
	Charging    State = "charging"    // charged, or held up by mains: no forecast
	Resting     State = "resting"     // connected, next to no load
	Absent      State = "absent"      // no pack: the voltage is far below anything a pack can show
)

// Basis is a thing the estimate rests on, or suffers from. Machine names.
type Basis string

const (
	NoHistory   Basis = "no_history"   // nothing is known of this pack but its label
	History     Basis = "history"      // earlier discharges of this pack were learned
	PartCharged Basis = "part_charged" // the pack was not full when it was first seen
	ClippedA    Basis = "clipped"      // some of the current was beyond the sensor's range
	Restored    Basis = "restored"     // carried on from a saved state
)

// Forecast is the answer to "how long, and how sure". Durations are to the
// cut-off under load; they are valid only where Known.
type Forecast struct {
	State State
	Known bool
	Why   string // when not Known: the reason, in words for people

	Expected  time.Duration
	Low, High time.Duration // central 90 % interval
	// Cautious is the low quantile the alarms are compared with (CautiousLevel
	// says which); it is another thing than Low.
	Cautious time.Duration

	ChargeRatio     float64 // state of charge 0..1 above the cut-off at the present load; valid where ChargeKnown
	ChargeKnown     bool
	CapacityAh      float64 // estimated usable capacity of the whole pack at present conditions, Ah; valid where CapacityKnown
	CapacityKnown   bool
	ResistanceOhm   float64 // estimated series resistance of the whole pack, ohm; valid where ResistanceKnown
	ResistanceKnown bool
	LoadW           float64 // the mean power the forecast assumes, W
	CutoffV         float64 // the effective cut-off at that load, V
	Basis           []Basis
}

// CautiousLevel is the probability with which the pack reaches its cut-off
// before Forecast.Cautious has passed.
const CautiousLevel = 0.02
