package pack

import (
	"math"
	"math/rand/v2"
)

// coldLog is the log of coldFactor: 0.035 a degree, as measured on other cells (NASA
// PCoE impedance: 0.070 ohm at 43 °C, 0.13 at 24 °C, 0.29 at 4 °C).
func coldLog(tempC float64) float64 {
	return math.Min(math.Max(0.035*(refTempC-tempC), -1.2), 2.0)
}

// coldFactor is how resistance answers temperature: double every 20 °C colder.
func coldFactor(tempC float64) float64 {
	return math.Exp(coldLog(tempC))
}

// typicalOhm is the resistance times label capacity, V per C-rate and cell.
func typicalOhm(ch Chemistry) float64 {
	if ch == LiIon {
		return 0.10
	}
	return 0.10
}

// activation is the voltage lost to charge transfer at rate c (Butler-Volmer with
// equal coefficients: 2RT/F asinh(i/2i0)), V per cell; exchange is i0 as a C-rate.
// It saturates, so a resistance learned at one rate does not carry to another.
func activation(c, exchange float64) float64 {
	return 0.0514 * math.Asinh(c/(2*exchange))
}

// exchanges are the exchange currents (C-rate) a hypothesis may have: few, so that
// the activation of a bin is computed once for each.
var exchanges = [...]float64{0.08, 0.16, 0.3, 0.6, 1.2}

// activations gives activation(c, x) for each x of exchanges.
func activations(c float64) (a [len(exchanges)]float64) {
	for k, x := range exchanges {
		a[k] = activation(c, x)
	}
	return a
}

// kneeShift is by how much of the capacity the rise of resistance comes earlier in
// the cold. Kollmeyer's pulse tests, 10 s, give 0.09 at 10 °C, 0.15 at 0 °C, 0.20 at
// -10 °C (rise at 83 % drawn against that at 25 °C, times the width of 0.057).
func kneeShift(f float64) float64 { return 0.17 * math.Log(f) }

// curveSigma is how far a cell's voltage strays from the model once its bias is
// taken off, V: about a tenth of the chemistry's spread of voltage between full and
// nearly empty.
func curveSigma(ch Chemistry) float64 {
	switch ch {
	case LFP:
		return 0.014
	case LeadAcid:
		return 0.010
	default:
		return 0.020
	}
}

// Rows of the circuit's parameters.
const (
	cCap      = iota // capacity from z=1 to z=0, parts of the label
	cRes             // resistance at 25 °C and full charge, V per C-rate
	cKnee            // what it has gained at z=0, V per C-rate
	cWidth           // over what charge it rises, parts of the capacity
	cSlow            // charge displaced per C-rate by the slow branch, hours
	cExchange        // exchange current: which of exchanges
	cBias            // V; error of the curve
	cTilt            // V; by how much the curve's error grows from full to empty
	cStart           // state of charge at the first reading
	cCurve           // which curve

	mostRows = cCurve + 1 + 4 // with the weakest cell and the hysteresis
)

// circuit is the generic class: an equivalent circuit over a published OCV curve.
//
//	v = U(z) + bias - activation(i) - (R f(T) + knee exp(-(z-shift(T))/width)) i
//	z = start - q/cap - slow i_slow f(T)/cap
//
// Lithium cells in series add the weakest one (weakest.go), lfp its hysteresis
// (hysteresis.go); their rows follow the others and are 0 where there are none.
type circuit struct {
	*cloud
	curves []*curve
	ch     Chemistry
	cells  int // in series
	sigma  float64
	weak   int // row of the weakest cell's shortfall
	loop   int // first of the rows of the hysteresis: half loop, h at the first reading, slide
}

func newCircuit(ch Chemistry, cells, n int, rng *rand.Rand) *circuit {
	kinds := []paramKind{scale, scale, scale, scale, scale, label, offset, offset, offset, label}
	c := &circuit{curves: ocvCurves(ch), ch: ch, cells: cells, sigma: curveSigma(ch)}
	if seriesSpread(ch, cells) {
		c.weak = len(kinds)
		kinds = append(kinds, label)
	}
	if ch == LFP {
		c.loop = len(kinds)
		kinds = append(kinds, label, label, label)
	}
	c.cloud = newCloud(n, kinds...)
	p := c.par
	bias, tilt, knee, width, fresh := 0.05, 0.02, 0.7, 0.06, 1.0
	switch ch {
	case LFP:
		bias, tilt = 0.02, 0.01 // the spread of published curves
	case LeadAcid:
		// Resistance rises two to three times over the whole discharge (common
		// practice, no source), and the label is what is left above 1.8 V a cell.
		bias, tilt, knee, width, fresh = 0.03, 0.04, 0.2, 0.2, 1.08
	}
	for j := range n {
		var q float64
		switch u := rng.Float64(); {
		case u < 0.5:
			q = fresh * (1 + 0.09*rng.NormFloat64())
		case u < 0.85:
			q = 0.55 + 0.5*rng.Float64()
		default:
			q = 0.2 + 0.5*rng.Float64()
		}
		p[cCap][j] = q
		p[cRes][j] = math.Exp(resMean(ch, q) + resSpread*rng.NormFloat64())
		p[cKnee][j] = knee * math.Exp(0.7*rng.NormFloat64())
		p[cWidth][j] = width * math.Exp(0.5*rng.NormFloat64())
		p[cSlow][j] = 0.01 * math.Exp(0.6*rng.NormFloat64())
		p[cExchange][j] = float64(rng.IntN(len(exchanges)))
		p[cBias][j] = bias * rng.NormFloat64()
		p[cTilt][j] = tilt * rng.NormFloat64()
		p[cCurve][j] = float64(rng.IntN(len(c.curves)))
	}
	if c.weak > 0 {
		c.drawWeakest(rng)
	}
	if c.loop > 0 {
		c.drawLoop(rng)
	}
	c.drawStart(rng)
	return c
}

// resMean is the mean of the log of a resistance whose cell has kept q of its
// capacity; resSpread is the standard deviation.
func resMean(ch Chemistry, q float64) float64 {
	return math.Log(typicalOhm(ch) + 0.7*fadeOhm*math.Max(0, -math.Log(q)))
}

const resSpread = 0.6

// fadeOhm is the resistance gained for each e-fold of capacity lost, V per C-rate.
const fadeOhm = 0.4

// drawStart draws the state of charge at the first reading: mostly full.
func (c *circuit) drawStart(rng *rand.Rand) {
	for j := range c.n {
		part := float64(j) < partShare*float64(c.n)
		if part {
			c.par[cStart][j] = 0.05 + 0.95*rng.Float64()
		} else {
			c.par[cStart][j] = 1 - math.Abs(0.015*rng.NormFloat64())
		}
		c.drawHysteresis(j, !part, rng)
	}
}

const partShare = 0.25

func (c *circuit) cloudOf() *cloud { return c.cloud }

// seed solves the start of the part-charged hypotheses from the rest voltage, or
// from the first bin under load.
func (c *circuit) seed(rest float64, known bool, b *Bin, rng *rand.Rand) {
	p := c.par
	f := coldFactor(b.T)
	sigma := c.sigma * 1.5
	cur := b.polarising()
	act := activations(cur)
	for j := range int(partShare * float64(c.n)) {
		crv := c.curves[int(p[cCurve][j])]
		e := sigma * rng.NormFloat64()
		var z float64
		if known {
			z = crv.inverse(rest + e - c.lift(j, 0))
		} else {
			v := b.V + e - p[cBias][j] + act[int(p[cExchange][j])] - c.lift(j, b.Q/p[cCap][j])
			k := 0.0
			for range 3 {
				z = crv.inverse(v + (p[cRes][j]*f+k)*cur)
				k = p[cKnee][j] * math.Exp(-math.Max(z-kneeShift(f), -0.05)/p[cWidth][j])
			}
			z += b.Q / p[cCap][j]
		}
		if z < 0.02 || z > 1 {
			continue
		}
		_, slope := crv.at(z)
		c.propose(j, cStart, z, normal(e, sigma)*slope, 0.95)
	}
	from := 0
	if !known {
		from = int(partShare * float64(c.n))
	}
	c.seedResistance(from, b, rng)
}

// seedResistance solves the resistance of the hypotheses from row from on, whose
// start is known, from the first bin.
func (c *circuit) seedResistance(from int, b *Bin, rng *rand.Rand) {
	p := c.par
	f := coldFactor(b.T)
	cur := b.polarising()
	if cur < 0.02 {
		return
	}
	sigma := 1.5 * c.sigma
	act := activations(cur)
	for j := from; j < c.n; j++ {
		z := p[cStart][j] - b.Q/p[cCap][j]
		u, _ := c.curves[int(p[cCurve][j])].at(z)
		k := p[cKnee][j] * math.Exp(-math.Max(z-kneeShift(f), -0.05)/p[cWidth][j])
		g := f * cur
		e := sigma * rng.NormFloat64()
		r := (u + c.lift(j, b.Q/p[cCap][j]) + p[cBias][j] - act[int(p[cExchange][j])] - k*cur - b.V + e) / g
		if r < 0.2*p[cRes][j] || r > 8*p[cRes][j] {
			continue
		}
		m := resMean(c.ch, p[cCap][j])
		// prior density of log r over the proposal's
		w := normal(math.Log(r)-m, resSpread) / math.Max(normal(e, sigma)*g*r, 1e-9)
		p[cRes][j], c.prior[cRes][j] = r, r
		lw := math.Log(math.Max(w, 1e-9))
		c.corr[j] += lw
		c.base[j] += lw
	}
}

func (c *circuit) over(n *cloud) class {
	d := *c
	d.cloud = n
	return &d
}

func (c *circuit) clampPar() {
	for j, z := range c.par[cStart] {
		c.par[cStart][j] = math.Min(z, 1)
	}
}

func (c *circuit) begin(rest float64, known bool) {
	if !known {
		return
	}
	sigma := restSigma(c.ch)
	if c.loop > 0 {
		sigma *= 0.5 // the half that is hysteresis is in the model
	}
	for j := range c.n {
		z := c.par[cStart][j]
		u, _ := c.curves[int(c.par[cCurve][j])].at(z)
		e := rest - u - c.lift(j, 0)
		if z > 0.96 && e > 0 {
			continue // surface charge: a full cell reads high
		}
		c.like[j] -= 0.5 * math.Min(e*e/(sigma*sigma), 25)
	}
}

// restSigma is how far a rest voltage may lie from that of a cell long at rest, V.
func restSigma(ch Chemistry) float64 {
	if ch == LiIon {
		return 0.025
	}
	return 0.06
}

func (c *circuit) step(b *Bin, first bool) {
	f := coldFactor(b.T)
	slow := math.Max(b.L, 0) * f
	cur := b.polarising()
	fade := math.Exp(-b.D / forgetQ)
	weight := math.Min(1, b.D/independent)
	shift := kneeShift(f)
	act := activations(cur)
	p := c.par
	for j := range c.n {
		inv := 1 / p[cCap][j]
		z := p[cStart][j] - (b.Q+p[cSlow][j]*slow)*inv
		u, du := c.curves[int(p[cCurve][j])].at(z)
		r := p[cRes][j] * f
		k := p[cKnee][j] * quickExp(-max(z-shift, -0.05)/p[cWidth][j])
		v := u + p[cBias][j] + p[cTilt][j]*(1-z) - act[int(p[cExchange][j])] - (r+k)*cur
		dv := du - p[cTilt][j] + k/p[cWidth][j]*cur
		if c.weak > 0 && z < weakFrom {
			_, _, _, addU, addK := c.weakest(j, z, shift, u, du, k)
			v += addU - addK*cur
		}
		if c.loop > 0 {
			lift := c.lift(j, b.Q*inv)
			v += lift
			dv += lift / p[c.loop+2][j]
		}
		c.observe(j, b.V-v, 0.01*dv, c.sigma, fade, weight, first)
	}
}

func (c *circuit) walk(j int, a *ahead) float64 {
	p := c.par
	f := coldFactor(a.tempC)
	inv := 1 / p[cCap][j]
	z := p[cStart][j] - a.q*inv
	displaced := p[cSlow][j] * a.load.rate * f * inv
	knee := kneeShift(f)
	crv := c.curves[int(p[cCurve][j])]
	add := p[cBias][j] - activation(a.load.rate, exchanges[int(p[cExchange][j])])
	model := func(z float64) (float64, float64) {
		lift := c.lift(j, p[cStart][j]-z)
		z -= displaced
		u, du := crv.at(z)
		k := p[cKnee][j] * quickExp(-max(z-knee, -0.05)/p[cWidth][j])
		if c.weak > 0 && z < weakFrom {
			_, _, _, addU, addK := c.weakest(j, z, knee, u, du, k)
			u, k = u+addU, k+addK
		}
		return u + add + p[cTilt][j]*(1-z) + lift, p[cRes][j]*f + k
	}
	var weak func(z, rate float64) float64
	if c.weak > 0 && a.cellV > 0 {
		weak = func(z, rate float64) float64 {
			lift := c.lift(j, p[cStart][j]-z)
			zw, uw, kw, _, _ := c.weakest(j, z-displaced, knee, 0, 0, 0)
			return uw + add + p[cTilt][j]*(1-zw) + lift - (p[cRes][j]*f+kw)*rate - a.cellV
		}
	}
	shift, off := anchor(a, c.res[j], z, 0.01, c.sigma, circuitPlace, model)
	z += shift
	add += off
	end := math.Min(-0.2, z-0.05)
	return crossing(a, z, end, p[cCap][j], model, weak)
}

func (c *circuit) about(w []float64) (lack, ohm float64) {
	p := c.par
	for j, x := range w {
		lack += x * (1 - p[cStart][j]) * p[cCap][j]
		ohm += x * p[cRes][j]
	}
	return lack, ohm
}

// circuitPlace is the error in the position along the curve, parts of the capacity.
const circuitPlace = 0.015
