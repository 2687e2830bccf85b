package pack

import (
	"errors"
	"fmt"
	"math"
	"time"
)

// Estimator follows one discharge after another of one pack. It is not safe for
// concurrent use. An Update costs well under a microsecond: it only counts. The
// hypotheses are shown what is new when a Forecast is asked for.
type Estimator struct {
	spec  Spec
	prof  *Profile
	cells float64
	run   recorder

	ens   *ensemble
	shown int // bins shown to ens

	cache    Forecast
	cached   bool
	buf      draws
	calm     calm
	restored bool
	resume   *resumption // until the first reading after a restart
	shift    time.Duration
	swapWhy  string // not empty once another pack is suspected
}

// recorder is what is remembered of the discharge in hand; it is what a saved
// state holds.
type recorder struct {
	binner
	tracker
	Start    time.Duration `json:"start"`
	Now      Sample        `json:"now"`
	N        int           `json:"n"`
	RestV    float64       `json:"restV"` // V per cell, before the load came
	Rested   bool          `json:"rested"`
	TempC    float64       `json:"tempC"`
	HasTemp  bool          `json:"hasTemp"`
	StepS    float64       `json:"stepS"` // usual time between readings, s
	ClipS    float64       `json:"clipS"` // s of clipped readings
	AtCutoff bool          `json:"atCutoff"`
	Below    int           `json:"below"`  // readings in a row at or below the cut-off
	QuietS   float64       `json:"quietS"` // s without load
	Charged  float64       `json:"charged"`
	Passed   int           `json:"passed"`
	State    State         `json:"state"`
	AwayS    float64       `json:"awayS"` // s absent since the last good reading
	HeldV    float64       `json:"heldV"` // last good voltage and rate, V per cell and C-rate
	HeldC    float64       `json:"heldC"`
}

// tempC is the pack's temperature, °C; refTempC where none is known.
func (r *recorder) tempC() float64 {
	if r.HasTemp {
		return r.TempC
	}
	return refTempC
}

// New starts an estimator; prof may be nil: nothing is known of the pack. With a
// profile it takes some tens of milliseconds to train the generic class.
func New(spec Spec, prof *Profile) (*Estimator, error) {
	e, err := newIdle(spec, prof)
	if err != nil {
		return nil, err
	}
	e.ens = newEnsemble(spec.Chemistry, spec.SeriesCells, e.history())
	return e, nil
}

// newIdle is New without hypotheses, for those who only count.
func newIdle(spec Spec, prof *Profile) (*Estimator, error) {
	if err := spec.Validate(); err != nil {
		return nil, err
	}
	return &Estimator{spec: spec, prof: prof, cells: float64(spec.SeriesCells), run: recorder{State: Unknown}}, nil
}

var errTimeBack = errors.New("time went back")

// Update takes one reading. It refuses readings that are not finite or beyond all
// reason, and time going back; the state is then unchanged.
func (e *Estimator) Update(s Sample) error {
	for _, x := range []struct {
		name string
		v    float64
	}{{"voltage", s.PackV}, {"current", s.PackA}, {"temperature", s.TempC}} {
		if !(math.Abs(x.v) <= 1e6) {
			return fmt.Errorf("pack: reading at %v: %s %v is out of all range", s.T, x.name, x.v)
		}
	}
	s = e.afterRestart(s)
	r := &e.run
	if r.N > 0 && s.T < r.Now.T {
		return fmt.Errorf("pack: reading at %v after one at %v: %w", s.T-e.shift, r.Now.T-e.shift, errTimeBack)
	}
	v, c := s.PackV/e.cells, s.PackA/e.spec.CapacityAh
	c = math.Min(math.Max(c, -1000), 1000)
	e.cached = false
	dt := 0.0
	if r.N > 0 {
		dt = (s.T - r.Now.T).Seconds()
	}
	if v < absentV { // nothing to count; what was counted stands until a pack is back
		r.AwayS += dt
		r.settle(v, c, dt)
		r.N, r.Now = r.N+1, s
		r.AtCutoff, r.Below = false, 0
		return nil
	}
	if e.changedPack(v, c, dt) {
		e.newRun()
		r, dt = &e.run, 0
	}
	if s.TempKnown {
		r.TempC, r.HasTemp = math.Min(math.Max(s.TempC, -60), 120), true
	}
	e.count(s, v, c, dt)
	r.AwayS, r.HeldV, r.HeldC = 0, v, c
	r.N++
	r.Now = s
	return nil
}

// count adds a reading of a present pack, dt seconds after the last one.
func (e *Estimator) count(s Sample, v, c, dt float64) {
	r := &e.run
	if r.Slots == nil && !r.seen {
		r.Start = s.T
		if c >= 0.02 {
			r.Slow = c // the load was there before us
		}
		r.last, r.lastV, r.seen = c, v, true
		r.Peak = math.Max(c, 0)
	}
	if r.Q < 0.002 && math.Abs(c) < 0.02 {
		r.RestV, r.Rested = v, true
	}
	if dt > 0 && !r.outlier(v, c, dt) {
		mean := c
		if dt > gapS { // nobody looked: take the middle of before and after
			mean = 0.5 * (c + r.last)
		}
		r.StepS += (dt - r.StepS) * 0.1
		if s.Clipped {
			r.ClipS += dt
		}
		r.tracker.add(dt, v, c)
		r.binner.add(dt, v, mean, r.tempC(), r.pulsed())
	}
	was := r.State
	r.settle(v, c, dt)
	if r.State == Charging {
		r.Charged -= c * dt / 3600
	}
	if was == Charging && r.State == Discharging {
		if r.Charged > newRunShare {
			e.newRun()
			r.Start = s.T
			r.Slow, r.last, r.lastV, r.seen = c, c, v, true
			r.Peak = math.Max(c, 0)
			r.settle(v, c, 0)
		}
		r.Charged = 0
	}
	if r.State == Discharging && c >= restRate && s.PackV <= e.spec.cutoffAt(s.PackA) {
		r.Below++
		// At fast sampling one low reading may be a glitch.
		r.AtCutoff = r.AtCutoff || r.Below >= 2 || r.StepS >= 5
	} else {
		r.Below, r.AtCutoff = 0, false
	}
}

// gapS is the time between readings beyond which the current is interpolated, s.
const gapS = 120

// newRun forgets the discharge in hand but not where time stands.
func (e *Estimator) newRun() {
	now, n := e.run.Now, e.run.N
	temp, has := e.run.TempC, e.run.HasTemp
	e.run = recorder{State: Unknown, Now: now, N: n, TempC: temp, HasTemp: has}
	e.ens, e.shown, e.cached, e.calm = nil, 0, false, calm{}
}
