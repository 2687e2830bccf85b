package pack

import (
	"errors"
	"fmt"
	"math"
	"time"
)

// Estimator follows one discharge after another of one pack. It is not safe for
// concurrent use.
type Estimator struct {
	spec Spec
	prof *Profile

	cells float64
	run   recorder
	ens   *ensemble
	shown int // bins shown to ens

	cache    Forecast
	cacheAt  time.Duration
	cacheQ   float64
	cacheW   float64
	valid    bool
	buf      draws
	restored bool
}

// recorder is what is remembered of the discharge in hand; it is what a saved
// state holds.
type recorder struct {
	binner
	tracker
	Start    time.Duration `json:"start"`
	Now      Sample        `json:"now"`
	N        int           `json:"n"`
	RestV    float64       `json:"restV"`
	Rested   bool          `json:"rested"`
	TempC    float64       `json:"tempC"`
	HasTemp  bool          `json:"hasTemp"`
	GapS     float64       `json:"gapS"` // typical time between readings
	Clipped  bool          `json:"clipped"`
	AtCutoff bool          `json:"atCutoff"`
	QuietS   float64       `json:"quietS"` // s without load
	State    State         `json:"state"`
}

// New starts an estimator; prof may be nil: nothing is known of the pack.
func New(spec Spec, prof *Profile) (*Estimator, error) {
	if err := spec.Validate(); err != nil {
		return nil, err
	}
	return &Estimator{spec: spec, prof: prof, cells: float64(spec.SeriesCells), run: recorder{State: Unknown}}, nil
}

var errTimeBack = errors.New("time went back")

// Update takes one reading. It refuses readings that are not finite, and time
// going back; the state is then unchanged.
func (e *Estimator) Update(s Sample) error {
	for _, x := range []float64{s.PackV, s.PackA, s.TempC} {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return fmt.Errorf("pack: reading at %v: %v is not a finite number", s.T, x)
		}
	}
	r := &e.run
	if r.N > 0 && s.T < r.Now.T {
		return fmt.Errorf("pack: reading at %v after one at %v: %w", s.T, r.Now.T, errTimeBack)
	}
	v, c := s.PackV/e.cells, s.PackA/e.spec.CapacityAh
	if s.TempKnown {
		r.TempC, r.HasTemp = s.TempC, true
	}
	r.Clipped = s.Clipped
	temp := refTempC
	if r.HasTemp {
		temp = r.TempC
	}
	if r.N == 0 {
		r.Start = s.T
		r.Rested = math.Abs(c) < 0.02
		r.RestV = v
		if !r.Rested {
			r.Slow = c
		}
		r.tracker.last, r.tracker.lastV, r.tracker.seen = c, v, true
		r.tracker.Peak = math.Max(c, 0)
	} else if dt := (s.T - r.Now.T).Seconds(); dt > 0 {
		r.GapS += (dt - r.GapS) * 0.1
		r.tracker.add(dt, v, c)
		r.binner.add(dt, v, c, temp, r.pulsed())
	}
	r.settle(v, c, (s.T - r.Now.T).Seconds())
	r.N++
	r.Now = s
	r.AtCutoff = r.State == Discharging && c >= restRate && s.PackV <= e.spec.cutoffAt(s.PackA)
	e.valid = false
	return nil
}

// settle follows what the pack is doing. A pulsing load may rest or feed back for
// a while; it is charging or resting only once that has lasted.
func (r *recorder) settle(v, c, dt float64) {
	now := Discharging
	switch {
	case v < absentV:
		now = Absent
	case c < -restRate:
		now = Charging
	case c < restRate:
		now = Resting
	}
	if now == Discharging || now == Absent {
		r.QuietS = 0
		r.State = now
		return
	}
	r.QuietS += dt
	hold := chargeHoldS
	if now == Resting {
		hold = restHoldS
	}
	if r.State == Discharging && r.QuietS < hold {
		return
	}
	r.State = now
}

const (
	absentV     = 0.3   // V per cell; no chemistry shows as little
	chargeHoldS = 90.0  // s
	restHoldS   = 600.0 // s
)

const restRate = 0.004 // C-rate; below it a pack lasts ten days and more

// cutoffAt is the effective cut-off of the whole pack at a load current, V.
func (s Spec) cutoffAt(amps float64) float64 {
	v := math.Max(s.CutoffV, s.LockoutV)
	if s.FarMinV > 0 {
		v = math.Max(v, s.FarMinV+s.FeedOhm*math.Max(amps, 0))
	}
	return v
}

// Validate says what is wrong with a spec.
func (s Spec) Validate() error {
	switch s.Chemistry {
	case LiIon, LFP, LeadAcid:
	default:
		return fmt.Errorf("pack: chemistry %q: want %s, %s or %s", s.Chemistry, LiIon, LFP, LeadAcid)
	}
	if s.SeriesCells < 1 || s.SeriesCells > 1000 {
		return fmt.Errorf("pack: %d series cells: want 1 to 1000", s.SeriesCells)
	}
	if !(s.CapacityAh > 0) || math.IsInf(s.CapacityAh, 0) {
		return fmt.Errorf("pack: capacity %v Ah: want a positive number", s.CapacityAh)
	}
	for _, f := range []struct {
		name string
		v    float64
	}{{"full voltage", s.FullV}, {"cut-off", s.CutoffV}, {"lock-out", s.LockoutV}, {"far end's minimum", s.FarMinV}, {"feed resistance", s.FeedOhm}} {
		if !(f.v >= 0) || math.IsInf(f.v, 0) {
			return fmt.Errorf("pack: %s %v: want a number not below 0", f.name, f.v)
		}
	}
	if !(s.cutoffAt(0) > 0) {
		return errors.New("pack: no cut-off voltage given")
	}
	return nil
}

// ensure builds the ensemble once there is a first bin, and shows it what is new.
func (e *Estimator) ensure() bool {
	bins := e.run.Bins
	if len(bins) == 0 {
		return false
	}
	if e.ens == nil {
		var runs []Run
		if e.prof != nil {
			runs = e.prof.usable(e.spec)
		}
		l := e.run.law(1)
		t := bins[0].T
		e.ens = newEnsemble(e.spec.Chemistry, runs, l.rate, t)
		e.ens.begin(e.run.RestV, e.run.Rested, &bins[0])
		e.shown = 0
	}
	if e.shown > len(bins) { // older bins were merged
		e.shown = len(bins) - 1
	}
	for e.shown < len(bins) {
		e.shown++
		e.ens.step(bins[:e.shown])
	}
	return true
}

// Forecast gives the remaining time to the cut-off under load.
func (e *Estimator) Forecast() Forecast {
	if e.valid {
		return e.cache
	}
	e.cache = e.forecast()
	e.valid = true
	return e.cache
}

func (e *Estimator) forecast() Forecast {
	r := &e.run
	f := Forecast{State: r.State}
	switch {
	case r.N == 0:
		f.State, f.Why = Unknown, "no reading yet"
		return f
	case r.State == Absent:
		f.Why = "no pack: the voltage is next to zero"
		return f
	case r.State == Charging:
		f.Why = "the pack is being charged"
		return f
	case r.State == Resting:
		f.Why = "next to no load"
		return f
	case r.AtCutoff:
		f.Known = true
		return f
	}
	if !e.ensure() {
		f.Why = "too little charge drawn yet to judge"
		return f
	}
	elapsed := (r.Now.T - r.Start).Seconds()
	l := r.law(elapsed)
	l.rate = math.Max(l.rate, 1e-6)
	cut := e.spec.cutoffAt(l.rate*e.spec.CapacityAh) / e.cells
	a := ahead{q: r.Q, tempC: refTempC, load: l, cutV: r.meanCut(cut, l, elapsed, e.ens.ratio), keep: 0.7}
	if r.HasTemp {
		a.tempC = r.TempC
	}
	e.ens.draw(&a, &e.buf)
	half := 0.0
	if !l.pulsed {
		half = 0.5 * r.GapS
	}
	lo, hi, mid := e.buf.quantile(0.05)+half, e.buf.quantile(0.95)+half, e.buf.densest()+half
	pad := 0.05 * mid
	f.Known = true
	f.Expected = seconds(mid)
	f.Low, f.High = seconds(lo-pad), seconds(hi+pad)
	f.Cautious = seconds(e.buf.quantile(CautiousLevel) - pad)
	f.LoadW = l.power * e.spec.CapacityAh * e.cells
	f.CutoffV = cut * e.cells
	return f
}

func seconds(s float64) time.Duration {
	return time.Duration(math.Min(math.Max(s, 0), 1e8) * 1e9)
}

// meanCut is the mean voltage at which a pulsing load will meet the cut-off.
func (r *recorder) meanCut(cut float64, l load, elapsedS, ratio float64) float64 {
	if !l.pulsed || l.peak < 1.1*l.rate {
		return cut
	}
	if l.constantCurrent {
		ratio = 1.05
	} else if ratio == 0 {
		ratio = 1.6
	}
	return cut + ratio*r.sag(elapsedS)
}

// sag is the deepest recent excursion below the bins' mean voltage, V per cell.
func (r *recorder) sag(elapsedS float64) float64 {
	window := math.Max(600, 0.2*elapsedS)
	var s, deep float64
	for k := len(r.Bins) - 1; k >= 0 && s < window; k-- {
		b := &r.Bins[k]
		deep = math.Max(deep, b.S)
		s += b.D / math.Max(b.I, 1e-6) * 3600
	}
	return deep
}

// densest is the value whose surroundings of about ±10 % hold most weight.
func (d *draws) densest() float64 {
	lo, hi := math.Log(math.Max(d.quantile(0.05), 1)), math.Log(math.Max(d.quantile(0.95), 2))
	best, at := -1.0, 0.0
	const n = 40
	for k := 0; k < n; k++ {
		g := math.Exp(lo + (hi-lo)*float64(k)/(n-1))
		var s float64
		for i, x := range d.x {
			u := (g - x) / (0.1 * math.Max(x, 1))
			if u*u < 18 {
				s += d.w[i] * math.Exp(-0.5*u*u)
			}
		}
		if s > best {
			best, at = s, g
		}
	}
	return at
}
