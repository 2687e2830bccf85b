package pack

import (
	"errors"
	"fmt"
	"math"
)

// Learn adds one discharge, whole or partial, to a profile (nil for none) and
// gives the new one; prof is left as it was. Readings that Update would refuse make
// it fail.
func Learn(prof *Profile, spec Spec, run []Sample) (*Profile, error) {
	e, err := newIdle(spec, prof)
	if err != nil {
		return nil, err
	}
	for i, s := range run {
		if err := e.Update(s); err != nil {
			return nil, fmt.Errorf("learn: reading %d: %w", i+1, err)
		}
	}
	p, ok := e.Learned()
	if !ok {
		return nil, errors.New("pack: nothing to learn: too little charge was drawn")
	}
	return p, nil
}

// Learned gives the profile with the discharge in hand added to it, and whether
// there is anything to learn yet.
func (e *Estimator) Learned() (*Profile, bool) {
	r := e.run
	r.Bins = append([]Bin(nil), r.Bins...)
	elapsedS := (r.Now.T - r.Start).Seconds()
	l := r.law(elapsedS)
	cut := e.spec.cutoffAt(math.Max(l.rate, 0)*e.spec.CapacityAh) / e.cells
	endV, ratio := cut, 0.0
	if l.pulsed && len(r.Bins) > 4 {
		endV, ratio = r.pulsedEnd(cut, l, elapsedS)
	}
	r.binner.flush()
	if len(r.Bins) < minBins || r.Q < 0.02 {
		return nil, false
	}
	for i, b := range r.Bins {
		r.Bins[i] = b.rounded()
	}
	run := Run{
		Bins: r.Bins, Total: r.Q,
		Ended:  r.AtCutoff || r.Now.PackV <= 1.005*e.spec.cutoffAt(r.Now.PackA) && r.Now.PackV > absentV*e.cells,
		Part:   r.Rested && r.RestV < e.spec.restFullV(),
		Pulsed: l.pulsed, Power: !l.constantCurrent,
		EndV: endV, Ratio: ratio, RestV: r.RestV, Rested: r.Rested,
		LastV: r.Now.PackV / e.cells, LastI: r.Now.PackA / e.spec.CapacityAh,
	}
	past := Past{DrawnAh: r.Q * e.spec.CapacityAh, Whole: run.template(),
		MeanA: run.meanRate() * e.spec.CapacityAh, TempC: run.startTempC()}
	if x, ok := run.apparentOhm(); ok {
		past.Ohm = x * e.cells / e.spec.CapacityAh
	}
	return e.prof.with(run, past), true
}

// pulsedEnd gives the mean voltage at which a pulsing load ended the run, from the
// line through the last two bins, and how deep that lay above the cut-off against
// the sag seen shortly before: readings that are means hide the depth of pulses.
func (r *recorder) pulsedEnd(cut float64, l load, elapsedS float64) (endV, ratio float64) {
	if l.constantCurrent {
		return r.meanCut(cut, l, elapsedS, 0), 0
	}
	b, n := r.Bins, len(r.Bins)
	endV = b[n-1].V
	if b[n-1].Q > b[n-2].Q {
		endV += (b[n-1].V - b[n-2].V) / (b[n-1].Q - b[n-2].Q) * (r.Q - b[n-1].Q)
	}
	endV = math.Min(math.Max(endV, cut), b[n-2].V+0.1)
	before := *r
	before.Bins = b[:n-2]
	return endV, math.Min(math.Max((endV-cut)/math.Max(before.sag(elapsedS), 0.02), 1), 4)
}

// apparentOhm is the voltage lost between rest and the first twentieth of the
// label, at 25 °C, V per C-rate and cell: what age and cold add to shows here.
func (r *Run) apparentOhm() (float64, bool) {
	if !r.Rested || r.Part {
		return 0, false
	}
	for i := range r.Bins {
		b := &r.Bins[i]
		if b.Q < 0.03 {
			continue
		}
		if b.Q > 0.12 || b.polarising() < 0.05 {
			return 0, false
		}
		return math.Max(r.RestV-b.V, 0) / (b.polarising() * coldFactor(b.T)), true
	}
	return 0, false
}
