package pack

import "math"

// Profile is what is known of one pack from its earlier discharges. It is bounded:
// the curves of at most maxRuns discharges, and a line each for maxPast.
type Profile struct {
	Runs []Run  `json:"runs"` // oldest first
	Past []Past `json:"past"` // oldest first, one for each entry that Runs ever had
}

const (
	maxRuns = 4
	maxPast = 60
	minBins = 6 // fewer teach nothing
	useRuns = 2 // whole discharges a forecast compares with
)

// Run is one earlier discharge with the conditions it was recorded under.
type Run struct {
	Bins   []Bin   `json:"bins"`
	Total  float64 `json:"total"`            // charge drawn in all, parts of the label
	Ended  bool    `json:"ended"`            // it reached the cut-off
	Part   bool    `json:"part,omitempty"`   // it plainly did not begin full
	Pulsed bool    `json:"pulsed,omitempty"` // the load pulsed
	Power  bool    `json:"power,omitempty"`  // the load held power, not current
	EndV   float64 `json:"endV"`             // mean voltage at the end, V per cell
	Ratio  float64 `json:"ratio,omitempty"`  // sag at the end against the sag seen before; 0 unknown
	RestV  float64 `json:"restV,omitempty"`  // voltage before the load came, V per cell, where Rested
	Rested bool    `json:"rested,omitempty"`
	LastV  float64 `json:"lastV"` // last reading, V per cell
	LastI  float64 `json:"lastI"` // its C-rate
}

// Past is one earlier discharge in a line.
type Past struct {
	DrawnAh float64 `json:"drawnAh"` // charge drawn
	Whole   bool    `json:"whole"`   // from full, as far as could be seen, to the cut-off
	MeanA   float64 `json:"meanA"`
	TempC   float64 `json:"tempC"`         // at the start; 25 where unknown
	Ohm     float64 `json:"ohm,omitempty"` // of the whole pack at 25 °C; 0 unknown
}

// meanRate is the run's mean polarising current, by charge, C-rate.
func (r *Run) meanRate() float64 {
	var s, w float64
	for i := range r.Bins {
		b := &r.Bins[i]
		s += b.D * b.polarising()
		w += b.D
	}
	return s / math.Max(w, 1e-9)
}

// lastAbove is the last bin whose voltage under load lies above v, V per cell; the
// first bin where none does.
func (r *Run) lastAbove(v float64) *Bin {
	for i := len(r.Bins) - 1; i > 0; i-- {
		if r.Bins[i].V >= v {
			return &r.Bins[i]
		}
	}
	return &r.Bins[0]
}

// startTempC is the temperature of the first bins.
func (r *Run) startTempC() float64 {
	n := min(3, len(r.Bins))
	var s float64
	for _, b := range r.Bins[:n] {
		s += b.T
	}
	return s / float64(max(n, 1))
}

// template says whether the run can serve as a template.
func (r *Run) template() bool { return r.Ended && !r.Part }

// usable gives the runs a forecast learns from: the last whole ones, and a later
// incomplete one.
func (p *Profile) usable() []Run {
	var out []Run
	whole := 0
	for i := len(p.Runs) - 1; i >= 0 && whole < useRuns; i-- {
		r := p.Runs[i]
		if !r.sound() || !r.Ended && len(out) > 0 {
			continue
		}
		if r.Ended {
			whole++
		}
		out = append([]Run{r}, out...)
	}
	return out
}

// sound guards against a profile damaged in storage.
func (r *Run) sound() bool {
	if len(r.Bins) < minBins || !(r.Total > 0.01 && r.Total < 10) {
		return false
	}
	last := math.Inf(-1)
	for _, b := range r.Bins {
		for _, x := range []float64{b.Q, b.V, b.I, b.L, b.T, b.D, b.S} {
			if math.IsNaN(x) || math.Abs(x) > 1e4 {
				return false
			}
		}
		if b.Q < last-0.5 {
			return false
		}
		last = b.Q
	}
	return true
}

// with gives a copy of the profile (nil for none) with a run added.
func (p *Profile) with(r Run, past Past) *Profile {
	out := &Profile{}
	if p != nil {
		out.Runs = append(out.Runs, p.Runs...)
		out.Past = append(out.Past, p.Past...)
	}
	out.Runs = append(out.Runs, r)
	out.Past = append(out.Past, past)
	for len(out.Runs) > maxRuns {
		// Templates are worth more: drop the oldest run that is none, if there is one.
		k := 0
		for i := range out.Runs[:len(out.Runs)-1] {
			if !out.Runs[i].template() {
				k = i
				break
			}
		}
		out.Runs = append(out.Runs[:k:k], out.Runs[k+1:]...)
	}
	if n := len(out.Past) - maxPast; n > 0 {
		out.Past = out.Past[n:]
	}
	return out
}
