package pack

import (
	"math"
	"math/rand/v2"
)

// Rows of the template's parameters.
const (
	tScale  = iota // capacity against the earlier run's
	tRatio         // resistance against the earlier run's
	tRes           // the earlier run's resistance, V per C-rate
	tSlow          // charge displaced per C-rate by the slow branch, hours
	tOffset        // parts of the label already drawn at the first reading
)

const templateN = 400

// knot is the earlier run at one charge.
type knot struct{ v, drop, slow, grow float64 }

// template is the class "as in that earlier run": its voltage against charge,
// shifted, stretched and corrected for resistance, rate and temperature.
//
//	x = offset + q/scale + slow (i_slow f - i_slow,earlier f_earlier)
//	v = V(x) + R g(x) (i_earlier f_earlier) - R ratio g(x) f i
//
// g(x) is how resistance rises towards the end of the discharge.
type template struct {
	*cloud
	knots [templateN]knot
	pitch float64 // parts of the label between knots
	full  float64 // charge the earlier run gave, parts of the label
	sigma float64
}

// Run is one earlier discharge as a profile keeps it.
type Run struct {
	Bins   []Bin   `json:"bins"`
	Total  float64 `json:"total"`            // charge drawn in all, parts of the label
	Ended  bool    `json:"ended"`            // it reached the cut-off
	Pulsed bool    `json:"pulsed,omitempty"` // the load pulsed
	EndV   float64 `json:"endV"`             // mean voltage at the end, V per cell
	Ratio  float64 `json:"ratio,omitempty"`  // sag at the end against the sag seen before; 0 unknown
	RestV  float64 `json:"restV,omitempty"`  // voltage before the load came, V per cell
	Rested bool    `json:"rested,omitempty"`
	LastV  float64 `json:"lastV"` // last reading, V per cell
	LastI  float64 `json:"lastI"` // its C-rate
}

// meanRate is the run's mean polarising current, by charge.
func (r *Run) meanRate() float64 {
	var s, w float64
	for i := range r.Bins {
		b := &r.Bins[i]
		s += b.D * b.polarising()
		w += b.D
	}
	return s / math.Max(w, 1e-9)
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

// newTemplate builds the class from an ended run; mismatch 0..1 says how far the
// conditions differ from today's, spread is the expected drift of capacity.
func newTemplate(run *Run, ch Chemistry, n int, spread, mismatch float64, rng *rand.Rand) *template {
	t := &template{cloud: newCloud(n, scale, scale, scale, scale, offset), full: run.Total, sigma: 0.012}
	if run.Pulsed {
		t.sigma = 0.02
	}
	m := len(run.Bins)
	q, v, cur, slow := make([]float64, m), make([]float64, m), make([]float64, m), make([]float64, m)
	for i := range run.Bins {
		b := &run.Bins[i]
		f := coldFactor(b.T)
		q[i], v[i], cur[i], slow[i] = b.Q, b.V, b.polarising()*f, math.Max(b.L, 0)*f
	}
	q[m-1] = run.Total
	if run.Pulsed {
		v[m-1] = math.Min(v[m-2], run.EndV)
		cur[m-1] = cur[m-2]
		smooth(v)
		smooth(cur)
	} else {
		v[m-1] = math.Min(run.LastV, v[m-1])
		cur[m-1] = run.LastI * coldFactor(run.Bins[m-1].T)
	}
	k := max(0, m-4)
	down := math.Max((v[k]-v[m-1])/math.Max(q[m-1]-q[k], 1e-6), 0.5/0.05)
	t.pitch = 1.3 * t.full / (templateN - 1)
	seg := 0
	for i := range t.knots {
		g := float64(i) * t.pitch
		for seg < m-2 && g > q[seg+1] {
			seg++
		}
		f := 0.0
		if q[seg+1] > q[seg] {
			f = math.Min(math.Max((g-q[seg])/(q[seg+1]-q[seg]), 0), 1)
		}
		kn := &t.knots[i]
		kn.v = v[seg] + f*(v[seg+1]-v[seg])
		if g > t.full {
			kn.v = v[m-1] - down*(g-t.full)
		}
		kn.grow = 1 + 2*math.Exp(-math.Max(1-g/t.full, -0.05)/0.06)
		kn.drop = (cur[seg] + f*(cur[seg+1]-cur[seg])) * kn.grow
		kn.slow = slow[seg] + f*(slow[seg+1]-slow[seg])
	}
	p := t.par
	for j := range n {
		if rng.Float64() < 0.2 {
			p[tOffset][j] = 0.95 * rng.Float64() * t.full
		} else {
			p[tOffset][j] = math.Abs(0.01*rng.NormFloat64()) * t.full
		}
		if rng.Float64() < 0.3 {
			p[tScale][j] = math.Exp(-0.08*(1-mismatch) + (0.15+0.1*mismatch)*rng.NormFloat64())
		} else {
			p[tScale][j] = math.Exp(spread * rng.NormFloat64())
		}
		if rng.Float64() < 0.3 {
			p[tRatio][j] = math.Exp(0.05 + 0.2*rng.NormFloat64())
		} else {
			p[tRatio][j] = math.Exp((0.05 + 0.1*mismatch) * rng.NormFloat64())
		}
		p[tRes][j] = typicalOhm(ch) * math.Exp(0.2+0.5*rng.NormFloat64())
		p[tSlow][j] = 0.01 * math.Exp(0.6*rng.NormFloat64())
	}
	return t
}

// smooth takes a running mean of five, leaving the ends as they are.
func smooth(x []float64) {
	if len(x) <= 8 {
		return
	}
	y := append([]float64(nil), x...)
	for i := 2; i < len(x)-3; i++ {
		x[i] = (y[i-2] + y[i-1] + y[i] + y[i+1] + y[i+2]) / 5
	}
}

func (t *template) cloudOf() *cloud { return t.cloud }

func (t *template) clampPar() {
	for j, x := range t.par[tOffset] {
		t.par[tOffset][j] = math.Max(x, 0)
	}
}

func (t *template) begin(float64, bool) {}

// at interpolates the knots and the slope of the voltage.
func (t *template) at(x float64) (k knot, slope float64) {
	y := x / t.pitch
	if y < 0 {
		y = 0
	} else if y > templateN-1.001 {
		y = templateN - 1.001
	}
	i := int(y)
	f := y - float64(i)
	a, b := &t.knots[i], &t.knots[i+1]
	return knot{a.v + f*(b.v-a.v), a.drop + f*(b.drop-a.drop), a.slow + f*(b.slow-a.slow), a.grow + f*(b.grow-a.grow)},
		(b.v - a.v) / t.pitch
}

func (t *template) step(b *Bin, first bool) {
	f := coldFactor(b.T)
	slow := math.Max(b.L, 0) * f
	cur := b.polarising() * f
	fade := math.Exp(-b.D / forgetQ)
	weight := math.Min(1, b.D/independent)
	p := t.par
	for j := range t.n {
		x := p[tOffset][j] + b.Q/p[tScale][j]
		i := int(math.Min(math.Max(x/t.pitch, 0), templateN-1))
		x = math.Max(0, x+p[tSlow][j]*(slow-t.knots[i].slow))
		k, dv := t.at(x)
		v := k.v + p[tRes][j]*(k.drop-p[tRatio][j]*k.grow*cur)
		c := t.cloud
		c.observe(j, b.V-v, 0.006*dv*t.full, t.sigma, fade, weight, first)
	}
}

func (t *template) walk(j int, a *ahead) float64 {
	p := t.par
	f := coldFactor(a.tempC)
	x := p[tOffset][j] + a.q/p[tScale][j]
	end := x + math.Max(1.2*t.full-x, 0.02*t.full)
	add := a.keep * t.res[j]
	slow := a.load.rate * f
	r := p[tRes][j] * p[tRatio][j] * f
	return crossing(a, x, end, p[tScale][j], func(x float64) (float64, float64) {
		i := int(math.Min(math.Max(x/t.pitch, 0), templateN-1))
		k, _ := t.at(math.Max(0, x+p[tSlow][j]*(slow-t.knots[i].slow)))
		return k.v + p[tRes][j]*k.drop + add, r * k.grow
	})
}
