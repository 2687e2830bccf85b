package pack

import (
	"math"
	"time"
)

// ensure builds the ensemble once there is a first bin, and shows it what is new.
func (e *Estimator) ensure() bool {
	bins := e.run.Bins
	if len(bins) == 0 {
		return false
	}
	if e.ens == nil {
		e.ens = newEnsemble(e.spec.Chemistry, e.spec.SeriesCells, e.history())
	}
	if e.ens.classes == nil {
		e.ens.begin(e.run.law(1).rate, e.run.RestV, e.run.Rested, &bins[0])
		e.shown = 0
	}
	if e.shown > len(bins) { // older bins were merged
		e.shown = len(bins) - 1
		e.ens.merged(e.shown)
	}
	for e.shown < len(bins) {
		late := len(bins)-e.shown > 2 // after a restart, or long without a forecast: nobody waits for a split second
		e.shown++
		e.ens.step(bins[:e.shown])
		if late {
			e.ens.work(bins[:e.shown], math.MaxInt)
		}
	}
	e.ens.work(bins, rebuildBudget)
	return true
}

// Forecast gives the remaining time to the cut-off under load.
func (e *Estimator) Forecast() Forecast {
	if !e.cached {
		e.cache, e.cached = e.forecast(), true
	}
	return e.cache
}

func (e *Estimator) forecast() Forecast {
	r := &e.run
	f := Forecast{State: r.State, Basis: e.basis()}
	switch {
	case r.N == 0:
		f.State, f.Why = Unknown, "no reading yet"
		return f
	case r.State == Absent:
		f.Why = "no pack: the voltage is next to zero"
		return f
	case r.State == Charging:
		f.Why = "the pack is being charged, or mains holds the load"
		return f
	case r.State == Resting:
		f.Why = "next to no load"
		return f
	}
	elapsedS := (r.Now.T - r.Start).Seconds()
	l := r.law(elapsedS)
	out := r.expect(l, e.history())
	l = out.load
	if l.rate < restRate && e.calm.set {
		l = e.calm.load // a pause: the load is taken to come back as it was
	}
	cut := e.spec.cutoffAt(math.Max(l.rate, 0)*e.spec.CapacityAh) / e.cells
	f.LoadW = math.Max(l.power, 0) * e.spec.CapacityAh * e.cells
	f.CutoffV = cut * e.cells
	switch {
	case r.AtCutoff:
		f.Known, f.ChargeKnown = true, true
		return f
	case !e.ensure():
		f.Why = "too little charge drawn yet to judge"
		return f
	case l.rate < restRate || l.power <= 0:
		f.Why = "next to no load on the mean"
		return f
	}
	a := ahead{q: r.Q, tempC: r.tempC(), load: l, cutV: r.meanCut(cut, l, elapsedS, e.ens.ratio), cellV: e.spec.CellCutoffV, keep: 0.7, loadSD: out.spread}
	if l.pulsed && !l.constantCurrent {
		a.cutSD = sagSpread * (a.cutV - cut)
	}
	e.ens.draw(&a, &e.buf)
	half := 0.0
	if !l.pulsed {
		half = 0.5 * r.StepS // the cut-off is seen at the next reading, half a step late on the mean
	}
	e.fill(&f, half, l)
	return f
}

// fill turns the draws into the answer.
func (e *Estimator) fill(f *Forecast, half float64, l load) {
	d := &e.buf
	now := [...]float64{d.quantile(0.5), d.quantile(0.05), d.quantile(0.95), d.quantile(cautiousDraw)}
	x := e.calm.next(now, e.run.Q, l)
	mid, lo, hi, low := x[0]+half, x[1]+half, x[2]+half, x[3]
	lack, ohm := e.ens.posterior()
	pad := intervalPad * mid
	lo, hi = lo-pad, hi+pad
	if len(e.history()) == 0 {
		whole := mid + math.Max(e.run.Q, 0)*3600/l.rate
		sag := ohm * coldFactor(e.run.tempC()) * l.rate
		hi += sagPad * math.Max(sag-sagFrom, 0) * whole
	}
	f.Known = true
	f.Expected = seconds(mid)
	f.Low, f.High = seconds(math.Min(lo, mid)), seconds(math.Max(hi, mid))
	f.Cautious = seconds(math.Min(low-cautiousPad*mid, mid))
	left := mid * l.rate / 3600 // parts of the label
	full := left + math.Max(e.run.Q, 0) + lack
	f.CapacityAh, f.CapacityKnown = full*e.spec.CapacityAh, true
	f.ChargeRatio, f.ChargeKnown = math.Min(left/math.Max(full, 1e-9), 1), true
	if r, ok := e.run.Steps.ohm(); ok {
		ohm = r
	}
	f.ResistanceOhm, f.ResistanceKnown = ohm*e.cells/e.spec.CapacityAh, true
	if lack > 0.15*full {
		f.Basis = append(f.Basis, PartCharged)
	}
}

// cautiousDraw is the quantile of the draws that Cautious starts from, cautiousPad the
// share of the expected time taken off it.
const (
	cautiousDraw = 0.10
	cautiousPad  = 0.20
)

// calm takes the sampling noise out of successive forecasts: each is mixed with the
// last one less the charge drawn since, over about a fifteenth of the charge left.
type calm struct {
	set  bool
	q    float64
	load load
	left [4]float64 // charge left, parts of the label
}

func (k *calm) next(s [4]float64, q float64, l load) [4]float64 {
	same := k.set && math.Abs(l.rate-k.load.rate) < 0.1*l.rate && l.constantCurrent == k.load.constantCurrent
	dq := q - k.q
	gain := 1.0
	if same && dq >= 0 {
		gain = 1 - math.Exp(-dq/(0.07*math.Max(k.left[0], 0)+0.002))
	}
	for i := range s {
		now := s[i] * l.rate / 3600
		was := k.left[i] - dq
		if gain == 1 {
			was = 0
		}
		k.left[i] = math.Max(was+gain*(now-was), 0)
		s[i] = k.left[i] * 3600 / l.rate
	}
	k.set, k.q, k.load = true, q, l
	return s
}

const (
	// intervalPad widens the interval by a share of the expected time on each side.
	intervalPad = 0.02

	// A pack that sags far under its load, being cold, aged or hard driven, lasts on in
	// its knee for a time that nothing seen of it so far foretells: without history the
	// high end is raised by sagPad parts of the whole discharge for each volt a cell
	// that the sag passes sagFrom.
	sagFrom = 0.2
	sagPad  = 0.5
)

// history gives the earlier runs that are used.
func (e *Estimator) history() []Run {
	if e.prof == nil {
		return nil
	}
	return e.prof.usable()
}

// basis says what the estimate rests on, and suffers from.
func (e *Estimator) basis() []Basis {
	var b []Basis
	if len(e.history()) > 0 {
		b = append(b, History)
	} else {
		b = append(b, NoHistory)
	}
	if e.run.ClipS > 0.02*(e.run.Now.T-e.run.Start).Seconds() && e.run.ClipS > 0 {
		b = append(b, ClippedA)
	}
	if e.restored {
		b = append(b, Restored)
	}
	if !e.run.HasTemp {
		b = append(b, AssumedTemp)
	}
	return b
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

// sagSpread is how far the ratio of hidden to seen sag may be off.
const sagSpread = 0.15

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
