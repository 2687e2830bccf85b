package pack

import (
	"math"
	"math/rand/v2"
)

// ahead is what a hypothesis needs to look ahead.
type ahead struct {
	q     float64 // charge drawn so far, parts of the label
	tempC float64
	load  load
	cutV  float64 // V per cell, of the mean voltage: raised by what pulses sag below it
	keep  float64 // share of the present residual carried to the end
}

// coldFactor is how resistance answers temperature: double every 17 °C colder
// (Arrhenius near room temperature; ocv.md's pulse tests double every 15 °C).
func coldFactor(tempC float64) float64 {
	return math.Exp(math.Min(math.Max(0.04*(refTempC-tempC), -1.2), 2.0))
}

// typicalOhm is the resistance times label capacity, V per C-rate and cell.
func typicalOhm(ch Chemistry) float64 {
	if ch == LiIon {
		return 0.10
	}
	return 0.12
}

// Rows of the circuit's parameters.
const (
	cCap   = iota // capacity from z=1 to z=0, parts of the label
	cRes          // resistance at 25 °C and full charge, V per C-rate
	cKnee         // by how many times it has risen at z=0
	cWidth        // over what charge it rises, parts of the capacity
	cSlow         // charge displaced per C-rate by the slow branch, hours
	cBias         // V; error of the curve
	cStart        // state of charge at the first reading
	cCurve        // which curve
)

// circuit is the generic class: an equivalent circuit over a published OCV curve.
//
//	v = U(z) + bias - R f(T) (1 + knee exp(-z/width)) i
//	z = start - q/cap - slow i_slow f(T)/cap
type circuit struct {
	*cloud
	curves []*curve
	ch     Chemistry
	sigma  float64
}

func newCircuit(ch Chemistry, n int, rng *rand.Rand) *circuit {
	c := &circuit{cloud: newCloud(n, scale, scale, scale, scale, scale, offset, offset, label), curves: ocvCurves(ch), ch: ch, sigma: 0.022}
	p := c.par
	for j := range n {
		if rng.Float64() < 0.75 {
			p[cCap][j] = 0.62 + 0.58*rng.Float64()
		} else {
			p[cCap][j] = 0.2 + 0.5*rng.Float64()
		}
		p[cRes][j] = typicalOhm(ch) * math.Exp(0.2+0.5*rng.NormFloat64())
		p[cKnee][j] = 8 * math.Exp(0.7*rng.NormFloat64())
		p[cWidth][j] = 0.06 * math.Exp(0.4*rng.NormFloat64())
		p[cSlow][j] = 0.01 * math.Exp(0.6*rng.NormFloat64())
		p[cBias][j] = 0.015 * rng.NormFloat64()
		p[cCurve][j] = float64(rng.IntN(len(c.curves)))
	}
	c.drawStart(rng)
	return c
}

// drawStart draws the state of charge at the first reading: mostly full.
func (c *circuit) drawStart(rng *rand.Rand) {
	for j := range c.n {
		if rng.Float64() < 0.15 {
			c.par[cStart][j] = 0.15 + 0.85*rng.Float64()
		} else {
			c.par[cStart][j] = 1 - math.Abs(0.015*rng.NormFloat64())
		}
	}
}

func (c *circuit) cloudOf() *cloud { return c.cloud }

func (c *circuit) clampPar() {
	for j, z := range c.par[cStart] {
		c.par[cStart][j] = math.Min(z, 1)
	}
}

func (c *circuit) begin(rest float64, known bool) {
	if !known {
		return
	}
	sigma := 0.025
	if c.ch != LiIon {
		sigma = 0.06
	}
	for j := range c.n {
		z := c.par[cStart][j]
		u, _ := c.curves[int(c.par[cCurve][j])].at(z)
		e := rest - u
		if z > 0.96 && e > 0 {
			continue // surface charge: a full cell reads high
		}
		c.like[j] -= 0.5 * math.Min(e*e/(sigma*sigma), 25)
	}
}

func (c *circuit) step(b *Bin, first bool) {
	f := coldFactor(b.T)
	slow := math.Max(b.L, 0) * f
	cur := b.polarising()
	fade := math.Exp(-b.D / forgetQ)
	weight := math.Min(1, b.D/independent)
	p := c.par
	for j := range c.n {
		inv := 1 / p[cCap][j]
		z := p[cStart][j] - (b.Q+p[cSlow][j]*slow)*inv
		u, du := c.curves[int(p[cCurve][j])].at(z)
		r := p[cRes][j] * f
		zz := math.Max(z, -0.05)
		k := p[cKnee][j] * math.Exp(-zz/p[cWidth][j])
		v := u + p[cBias][j] - r*(1+k)*cur
		dv := du + r*k/p[cWidth][j]*cur
		c.observe(j, b.V-v, 0.01*dv, c.sigma, fade, weight, first)
	}
}

func (c *circuit) walk(j int, a *ahead) float64 {
	p := c.par
	f := coldFactor(a.tempC)
	inv := 1 / p[cCap][j]
	z := p[cStart][j] - a.q*inv
	shift := p[cSlow][j] * a.load.rate * f * inv
	crv := c.curves[int(p[cCurve][j])]
	add := p[cBias][j] + a.keep*c.res[j]
	end := math.Min(-0.2, z-0.05)
	return crossing(a, z, end, p[cCap][j], func(z float64) (float64, float64) {
		z -= shift
		u, _ := crv.at(z)
		return u + add, p[cRes][j] * f * (1 + p[cKnee][j]*math.Exp(-math.Max(z, -0.05)/p[cWidth][j]))
	})
}

const walkPoints = 64

// crossing integrates the time in seconds from position x to where the voltage
// under load meets the cut-off; the position runs to end, and |dx| of it is worth
// capacity times |dx| of charge. model gives open voltage and resistance.
func crossing(a *ahead, x, end, capacity float64, model func(float64) (u, r float64)) float64 {
	h := (end - x) / walkPoints
	charge := math.Abs(h) * capacity * 3600 // C-rate seconds for each step
	var t, lastV, lastInv float64
	for k := 0; k <= walkPoints; k++ {
		u, r := model(x + float64(k)*h)
		i := a.load.rate
		v := u - r*i
		if !a.load.constantCurrent {
			if d := u*u - 4*r*a.load.power; d > 0 {
				v = 0.5 * (u + math.Sqrt(d))
			} else {
				v = 0
			}
			i = math.Min(a.load.power/math.Max(v, 0.3), 20*a.load.rate)
		}
		inv := 1 / math.Max(i, 1e-9)
		step := 0.5 * (inv + lastInv) * charge
		if v <= a.cutV {
			if k == 0 {
				return 0
			}
			if lastV > v {
				return t + step*(lastV-a.cutV)/(lastV-v)
			}
			return t + step
		}
		if k > 0 {
			t += step
		}
		lastV, lastInv = v, inv
	}
	return t
}
