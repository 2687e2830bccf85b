package pack

import (
	"errors"
	"math"
)

// Profile is what is known of one pack from its earlier discharges.
type Profile struct {
	Runs []Run `json:"runs"` // oldest first
}

const maxRuns = 4

// usable gives the runs a forecast can learn from.
func (p *Profile) usable() []Run {
	var out []Run
	for _, r := range p.Runs {
		if len(r.Bins) > 5 {
			out = append(out, r)
		}
	}
	if len(out) > 2 {
		out = out[len(out)-2:]
	}
	return out
}

// Learn adds one discharge, whole or partial, to a profile (nil for none) and
// gives the new one; prof is left as it was.
func Learn(prof *Profile, spec Spec, run []Sample) (*Profile, error) {
	e, err := New(spec, nil)
	if err != nil {
		return nil, err
	}
	for _, s := range run {
		if err := e.Update(s); err != nil {
			return nil, err
		}
	}
	e.prof = prof
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
	elapsed := (r.Now.T - r.Start).Seconds()
	l := r.law(elapsed)
	ratio, endV := 0.0, e.spec.cutoffAt(l.rate*e.spec.CapacityAh)/e.cells
	cut := endV
	if r.pulsed() && len(r.Bins) > 4 {
		b := r.Bins
		n := len(b)
		// mean voltage at the end, from the line through the last two bins
		q := r.Q
		endV = b[n-1].V
		if n > 2 && b[n-1].Q > b[n-2].Q {
			endV += (b[n-1].V - b[n-2].V) / (b[n-1].Q - b[n-2].Q) * (q - b[n-1].Q)
		}
		endV = math.Max(endV, cut)
		if l.constantCurrent {
			endV = r.meanCut(cut, l, elapsed, 0)
		} else {
			s := r
			s.Bins = b[:max(1, n-2)]
			ratio = math.Min(math.Max((endV-cut)/math.Max(s.sag(elapsed), 0.02), 1), 4)
		}
	}
	r.binner.flush()
	if len(r.Bins) <= 5 {
		return nil, false
	}
	run := Run{Bins: r.Bins, Total: r.Q, Ended: e.run.AtCutoff || r.Now.PackV <= 1.005*e.spec.cutoffAt(r.Now.PackA), Pulsed: r.pulsed(),
		EndV: endV, Ratio: ratio, RestV: r.RestV, Rested: r.Rested,
		LastV: r.Now.PackV / e.cells, LastI: r.Now.PackA / e.spec.CapacityAh}
	p := &Profile{}
	if e.prof != nil {
		p.Runs = append(p.Runs, e.prof.Runs...)
	}
	p.Runs = append(p.Runs, run)
	if len(p.Runs) > maxRuns {
		p.Runs = p.Runs[len(p.Runs)-maxRuns:]
	}
	return p, true
}
