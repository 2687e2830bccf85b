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
	tCold          // how much of coldLog applies
	tOffset        // parts of the label already drawn at the first reading
)

const templateN = 400

// knot is the earlier run at one charge.
type knot struct{ v, cur, cold, slow, grow, act float64 }

// template is the class "as in that earlier run": its voltage against charge,
// shifted, stretched and corrected for resistance, rate and temperature.
//
//	x = offset + q/scale + slow (i_slow f - i_slow,earlier f_earlier)
//	v = V(x) + R g(x) (i_earlier f_earlier) - R ratio g(x) f i
//
// g(x) is how resistance rises towards the end of the discharge.
type template struct {
	*cloud
	knots *[templateN]knot
	pitch float64 // parts of the label between knots
	full  float64 // charge the earlier run gave, parts of the label
	sigma float64

	spread, mismatch, ratioSpread float64
	wide                          []bool // the pack has changed since

	restV  float64 // V per cell, before the earlier run's load came, where rested
	rested bool
	restSD float64 // V
}

const (
	wideShare     = 0.35
	ratioWideMean = 0.15
	ratioWide     = 0.35
)

// drawScale draws the capacity that goes with row j's resistance: age takes both.
func (t *template) drawScale(j int, rng *rand.Rand) float64 {
	if !t.wide[j] {
		return math.Exp(t.spread * rng.NormFloat64())
	}
	loss := t.par[tRes][j] * (t.par[tRatio][j] - 1) / fadeOhm
	return math.Exp(-0.04 - loss + (0.08+0.1*t.mismatch+0.3*math.Abs(loss))*rng.NormFloat64())
}

// drop is the voltage row j has less than the earlier run at knot k, at the log cold
// factor and polarising rate of now.
func (t *template) drop(j int, k *knot, cold, cur float64) float64 {
	p := t.par
	g := p[tCold][j]
	was, is := k.cur, cur
	if k.cold != 0 {
		was *= quickExp(g * k.cold)
	}
	if cold != 0 {
		is *= quickExp(g * cold)
	}
	return p[tRes][j] * k.grow * (p[tRatio][j]*is - was)
}

// newTemplate builds the class from an ended run; mismatch 0..1 says how far the
// conditions differ from today's, spread is the expected drift of capacity.
func newTemplate(run *Run, ch Chemistry, n int, spread, mismatch float64, rng *rand.Rand) *template {
	t := &template{cloud: newCloud(n, scale, scale, scale, scale, scale, offset), full: run.Total, sigma: 0.010,
		knots: new([templateN]knot), restV: run.RestV, rested: run.Rested, restSD: restSigma(ch)}
	if run.Pulsed {
		t.sigma = 0.02
	}
	m := len(run.Bins)
	q, v, cur, slow, cold := make([]float64, m), make([]float64, m), make([]float64, m), make([]float64, m), make([]float64, m)
	for i := range run.Bins {
		b := &run.Bins[i]
		f := coldFactor(b.T)
		q[i], v[i], cur[i], slow[i], cold[i] = b.Q, b.V, b.polarising(), math.Max(b.L, 0)*f, coldLog(b.T)
	}
	q[m-1] = run.Total
	if run.Pulsed {
		v[m-1] = math.Min(v[m-2], run.EndV)
		cur[m-1] = cur[m-2]
		smooth(v)
		smooth(cur)
	} else {
		v[m-1] = math.Min(run.LastV, v[m-1])
		cur[m-1] = run.LastI
	}
	k := max(0, m-4)
	down := math.Max((v[k]-v[m-1])/math.Max(q[m-1]-q[k], 1e-6), 0.5/0.05)
	t.spread, t.mismatch = spread, mismatch
	t.ratioSpread = 0.05 + 0.1*mismatch
	t.wide = make([]bool, n)
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
		kn.cur = cur[seg] + f*(cur[seg+1]-cur[seg])
		kn.act = activation(kn.cur, 0.4)
		kn.cold = cold[seg] + f*(cold[seg+1]-cold[seg])
		kn.slow = slow[seg] + f*(slow[seg+1]-slow[seg])
	}
	p := t.par
	for j := range n {
		if float64(j) < templatePart*float64(n) {
			p[tOffset][j] = 0.95 * rng.Float64() * t.full
		} else {
			p[tOffset][j] = math.Abs(0.01*rng.NormFloat64()) * t.full
		}
		p[tRes][j] = typicalOhm(ch) * math.Exp(0.3+0.6*rng.NormFloat64())
		p[tCold][j] = math.Exp(0.3 * rng.NormFloat64())
		t.wide[j] = rng.Float64() < wideShare
		if t.wide[j] {
			p[tRatio][j] = math.Exp(ratioWideMean + ratioWide*rng.NormFloat64())
		} else {
			p[tRatio][j] = math.Exp(t.ratioSpread * rng.NormFloat64())
		}
		p[tScale][j] = t.drawScale(j, rng)
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

// seed solves the start of the part-charged hypotheses and the resistance of the
// others from the first bin.
func (t *template) seed(_ float64, _ bool, b *Bin, rng *rand.Rand) {
	cold, cur := coldLog(b.T), b.polarising()
	sigma := 1.5 * t.sigma
	p := t.par
	part := int(templatePart * float64(t.n))
	for j := range t.n {
		e := sigma * rng.NormFloat64()
		if j >= part {
			k, _ := t.at(p[tOffset][j] + b.Q/p[tScale][j])
			was := p[tRes][j] * k.grow * k.cur * math.Exp(p[tCold][j]*k.cold)
			is := p[tRes][j] * k.grow * cur * math.Exp(p[tCold][j]*cold)
			if is < 1e-4 {
				continue
			}
			r := (k.v + was - activation(cur, 0.4) + k.act - b.V + e) / is
			if r < 0.1 || r > 10 {
				continue
			}
			lr := math.Log(r)
			m, s := 0.0, t.ratioSpread
			if t.wide[j] {
				m, s = ratioWideMean, ratioWide
			}
			p[tRatio][j], t.prior[tRatio][j] = r, r
			a := t.drawScale(j, rng)
			p[tScale][j], t.prior[tScale][j] = a, a
			t.corr[j] = math.Log(math.Max(normal(lr-m, s)/math.Max(normal(e, sigma)*is*r, 1e-9), 1e-9))
			t.base[j] += t.corr[j]
			continue
		}
		// The voltage falls along the knots, but not strictly: take a crossing.
		lo, hi := 0, templateN-1
		at := func(i int) float64 {
			k := &t.knots[i]
			return k.v - t.drop(j, k, cold, cur)
		}
		for hi-lo > 1 {
			if m := (lo + hi) / 2; at(m) > b.V+e {
				lo = m
			} else {
				hi = m
			}
		}
		slope := (at(lo) - at(hi)) / t.pitch
		x := (float64(lo)+rng.Float64())*t.pitch - b.Q/p[tScale][j]
		if slope < 0.02 || x < 0 || x > t.full {
			continue
		}
		t.propose(j, tOffset, x, normal(e, sigma)*slope, 0.95*t.full)
	}
}

const templatePart = 0.25

func (t *template) cloudOf() *cloud { return t.cloud }

func (t *template) clampPar() {
	for j, x := range t.par[tOffset] {
		t.par[tOffset][j] = math.Max(x, 0)
	}
}

func (t *template) over(c *cloud) class {
	n := *t
	n.cloud = c
	return &n
}

// begin weighs the starts by the rest voltage, if both runs show one: the earlier
// run's, less what its voltage fell on the way to the start. How drop and temperature
// changed on that way is not known; hence the tolerance of a third.
func (t *template) begin(rest float64, known bool) {
	if !known || !t.rested {
		return
	}
	top, _ := t.at(0.03 * t.full)
	for j, x := range t.par[tOffset] {
		k, _ := t.at(x)
		fallen := math.Max(top.v-k.v, 0)
		e := rest - t.restV + fallen
		if fallen == 0 && e > 0 {
			e = 0 // surface charge
		}
		sd := t.restSD + 0.3*fallen
		t.rest[j] = -0.5 * math.Min(e*e/(sd*sd), 50)
	}
}

// at interpolates the knots and the slope of the voltage.
func (t *template) at(x float64) (k knot, slope float64) {
	y := x / t.pitch
	if !(y > 0) {
		y = 0
	} else if y > templateN-1.001 {
		y = templateN - 1.001
	}
	i := int(y)
	f := y - float64(i)
	a, b := &t.knots[i], &t.knots[i+1]
	return knot{a.v + f*(b.v-a.v), a.cur + f*(b.cur-a.cur), a.cold + f*(b.cold-a.cold), a.slow + f*(b.slow-a.slow), a.grow + f*(b.grow-a.grow), a.act + f*(b.act-a.act)},
		(b.v - a.v) / t.pitch
}

func (t *template) step(b *Bin, first bool) {
	slow := math.Max(b.L, 0) * coldFactor(b.T)
	cur, cold := b.polarising(), coldLog(b.T)
	act := activation(cur, 0.4)
	fade := math.Exp(-b.D / forgetQ)
	weight := math.Min(1, b.D/independent)
	p := t.par
	for j := range t.n {
		x := p[tOffset][j] + b.Q/p[tScale][j]
		i := int(min(max(x/t.pitch, 0), templateN-1))
		x = math.Max(0, x+p[tSlow][j]*(slow-t.knots[i].slow))
		k, dv := t.at(x)
		drop := t.drop(j, &k, cold, cur) + act - k.act
		tol := 0.006*math.Abs(dv)*t.full + 0.1*math.Abs(drop)
		t.observe(j, b.V-k.v+drop, tol, t.sigma, fade, weight, first)
	}
}

func (t *template) walk(j int, a *ahead) float64 {
	p := t.par
	x := p[tOffset][j] + a.q/p[tScale][j]
	add := -activation(a.load.rate, 0.4)
	slow := a.load.rate * coldFactor(a.tempC)
	is := p[tRes][j] * p[tRatio][j] * math.Exp(p[tCold][j]*coldLog(a.tempC))
	// The pack is taken to warm from here on as it did in the earlier run.
	here, _ := t.at(x)
	model := func(x float64) (float64, float64) {
		i := int(min(max(x/t.pitch, 0), templateN-1))
		k, _ := t.at(math.Max(0, x+p[tSlow][j]*(slow-t.knots[i].slow)))
		was := k.cur
		if k.cold != 0 {
			was *= quickExp(p[tCold][j] * k.cold)
		}
		return k.v + p[tRes][j]*k.grow*was + add + k.act, is * k.grow * quickExp(p[tCold][j]*(k.cold-here.cold))
	}
	shift, off := anchor(a, t.res[j], x, 0.01*t.full, t.sigma, templatePlace*t.full, model)
	x += shift
	add += off
	end := x + math.Max(1.2*t.full-x, 0.02*t.full)
	return crossing(a, x, end, p[tScale][j], model, nil)
}

func (t *template) about(w []float64) (lack, ohm float64) {
	p := t.par
	for j, x := range w {
		lack += x * p[tOffset][j] * p[tScale][j]
		ohm += x * p[tRes][j] * p[tRatio][j]
	}
	return lack, ohm
}

// templatePlace is the error in the position along the earlier run, parts of it.
const templatePlace = 0.008
