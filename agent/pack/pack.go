// Package pack estimates how long a battery pack will last: the time until its
// voltage under load meets the cut-off, with an interval.
//
// # Model
//
// Readings are scaled to one cell and one label ampere-hour and binned by charge
// (bins.go). Competing classes of hypotheses are weighed by how well they foretold
// each bin (particles.go): a template for each whole earlier discharge, shifted,
// stretched and corrected for resistance, rate and temperature (template.go); an
// equivalent circuit over published open-circuit curves (ocv.go), trained through
// the earlier discharges (circuit.go); and a fresh one, in case the pack is not what
// it was. Starts are solved from the first reading: a pack is not taken to be full.
//
// The filter is a particle filter over constant parameters, resampled and moved with
// its history shown again, in small pieces (rebuild.go) (Chopin, A sequential particle filter for static models,
// Biometrika 89 (2002) 539). An extended Kalman filter was tried first and lost: the
// posterior has several modes (aged and full, or fresh and part-charged), and the
// curve is too bent near the end for one Gaussian. What voltage a hypothesis still
// misses is split between place and offset by one Kalman update (walk.go).
//
// Each forecast walks some two hundred hypotheses ahead under the detected load law
// (loadlaw.go): constant current, or constant power with the current that the
// falling voltage asks for; a pulsing load draws its mean, and its peak meets the
// cut-off. A load that holds still and opened as an earlier run did is taken to go on
// as that one, so that an opening burst does not pass for the whole run; the mean of a
// pulsing load is uncertain by how it has wandered, earlier runs' means being its prior,
// and the walks vary by that (outlook.go).
//
// In a series pack of lithium cells the weakest bends the pack's voltage first and,
// behind a protection board whose limit is known, ends the pack (weakest.go); an lfp
// cell carries hysteresis from how it was charged (hysteresis.go).
//
// # Where constants come from
//
// Literature: curves, activation (Butler-Volmer), cold (coldLog), kneeShift. Physics:
// binning, walk, anchor. Measured across both of two data sets that share no cell:
// fadeOhm (NASA PCoE and CALCE CS2 lose an e-fold of capacity for 0.3 to 0.5 V per
// C-rate of resistance gained). Cautious (draw quantile and margin) was chosen on
// whole tables and checked by leaving one data set out. Judgement, held by comparison
// of whole tables: prior spreads, sigmas, class masses. DEVELOPERS.md has the figures.
//
// # Limits
//
// Without history early voltage hardly fixes capacity; the interval is wide because
// that is so. Readings that are means over many seconds hide the depth of pulses.
// The temperature is taken to go on as in the earlier run, or without one to stay as
// it is: the warming that follows from the losses was tried, and helped in the cold
// what it spoiled elsewhere. The load
// is taken to stay too, unless an earlier run of this pack shows otherwise: in a short
// burst without history, or one that was there before us, the forecast is that of the
// burst. A pack of
// equal voltage cannot be told from the one before it. Two runs with a charge between
// them are two discharges.
//
// A first Forecast after a restart or a change of pack trains anew (tens of
// milliseconds); resampling is spread over some ten later ones.
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

	// CellCutoffV is the voltage of a single cell, in volts, at which a protection
	// board switches the pack off; 0 where none is known of.
	CellCutoffV float64
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
	AssumedTemp Basis = "assumed_temp" // no temperature is measured; refTempC is taken, and the cold gives less
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

// CautiousLevel is at most about the share of replayed discharges that reached their
// cut-off before Forecast.Cautious had passed. It is a measured share, not a quantile of the
// hypotheses, which spread too far: forecast.go says what is taken.
const CautiousLevel = 0.02
