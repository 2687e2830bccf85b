package pack

import (
	"math"
	"time"
)

// Saved is the state of an Estimator as a plain value, under 32 KB as JSON. The
// hypotheses are not in it: they follow from the bins.
type Saved struct {
	Run     recorder `json:"run"`
	SwapWhy string   `json:"swapWhy,omitempty"`
}

// resumption is what the first reading after a restart is held against.
type resumption struct {
	gap   time.Duration
	known bool
}

const (
	// shortGap is the longest gap over which the load is taken to have gone on.
	shortGap = 15 * time.Minute
)

// Save gives the state to be kept. It is a copy: later readings leave it alone.
func (e *Estimator) Save() Saved {
	r := e.run
	r.Bins = make([]Bin, len(e.run.Bins))
	for i, b := range e.run.Bins {
		r.Bins[i] = b.rounded()
	}
	r.Slots = make([]slot, len(e.run.Slots))
	for i, s := range e.run.Slots {
		r.Slots[i] = slot{round(s.S, 1e3), round(s.I, 1e4), round(s.P, 1e4), round(s.Peak, 1e5)}
	}
	return Saved{Run: r, SwapWhy: e.swapWhy}
}

func round(x, per float64) float64 { return math.Round(x*per) / per }

// rounded keeps what a bin is good for: a millionth of the label, a tenth of a millivolt.
func (b Bin) rounded() Bin {
	return Bin{Q: round(b.Q, 1e6), V: round(b.V, 1e5), I: round(b.I, 1e5), L: round(b.L, 1e5),
		T: round(b.T, 1e2), D: round(b.D, 1e6), S: round(b.S, 1e4)}
}

// Resume carries on from a saved state. gap is the time from the saved state's last
// reading to the first reading that will follow, where gapKnown. The new readings
// may begin at any T.
//
// Over a known gap of at most 15 minutes the load is taken to have gone on as
// before. After a longer one, or when the gap is not known and the voltage does not
// fit, a new discharge begins at whatever charge the readings tell; what the old
// one taught (resistance, curve) still counts as history.
func Resume(spec Spec, prof *Profile, s Saved, gap time.Duration, gapKnown bool) (*Estimator, error) {
	e, err := newIdle(spec, prof)
	if err != nil {
		return nil, err
	}
	e.run = s.Run
	e.run.Bins = append([]Bin(nil), s.Run.Bins...)
	e.run.Slots = append([]slot(nil), s.Run.Slots...)
	e.restored = true
	e.swapWhy = s.SwapWhy
	if e.run.N > 0 {
		e.resume = &resumption{gap: max(gap, 0), known: gapKnown}
	}
	return e, nil
}

// afterRestart puts the first reading after a restart, and those that follow, on
// the saved time line.
func (e *Estimator) afterRestart(s Sample) Sample {
	g := e.resume
	if g == nil {
		s.T += e.shift
		return s
	}
	e.resume = nil
	r := &e.run
	v, c := s.PackV/e.cells, s.PackA/e.spec.CapacityAh
	gap := g.gap
	if !g.known {
		gap = 0
	}
	e.shift = r.Now.T + gap - s.T
	s.T += e.shift
	expect := r.HeldV - e.apparentOhm()*(c-r.HeldC)
	fits := v > absentV && math.Abs(v-expect) < fitV
	switch {
	case g.known && gap <= shortGap:
		// Counted as a gap between two readings.
	case fits && !g.known:
		r.Now.T = s.T
	default:
		if p, ok := e.Learned(); ok && r.Q > 0.1 {
			e.prof = p
		}

		e.newRun()
		e.run.Now.T = s.T
	}
	return s
}

// fitV is how far a voltage may stray from what the state would show, V per cell.
const fitV = 0.06
