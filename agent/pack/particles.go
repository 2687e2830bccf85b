package pack

import (
	"math"
	"math/rand/v2"
	"sort"
)

// cloud is a set of weighted hypotheses of one class: struct of arrays, one row
// a parameter. It resamples and moves when its weights have gathered on few.
type cloud struct {
	n     int
	par   [][]float64 // current parameters, one row each
	prior [][]float64 // as first drawn; a quarter of each resampling comes from here
	kind  []paramKind

	base []float64 // log weight from the class mass and from resampling
	like []float64 // log likelihood of the run so far, old parts forgotten
	res  []float64 // V per cell; smoothed residual
	rest []float64 // log likelihood of the rest voltage; not forgotten, for it speaks of the start alone
	corr []float64 // log weight of the first drawn rows: prior over proposal density
	mass float64   // log of the class's prior probability
	last int       // bins at the last resampling
}

type paramKind int8

const (
	scale  paramKind = iota // positive, moved by a factor
	offset                  // moved by a difference
	label                   // discrete, never moved
)

const (
	forgetQ     = 0.6  // parts of the label: charge over which old evidence fades
	independent = 0.05 // parts of the label: charge over which residuals are correlated
	minESS      = 0.2  // of n; resample below
	resampleGap = 8    // bins between resamplings
	keepShare   = 0.75 // of a resampling; the rest is drawn from the prior anew
)

func newCloud(n int, kind ...paramKind) *cloud {
	c := &cloud{n: n, kind: kind, base: make([]float64, n), like: make([]float64, n), res: make([]float64, n), rest: make([]float64, n), corr: make([]float64, n)}
	for range kind {
		c.par = append(c.par, make([]float64, n))
		c.prior = append(c.prior, make([]float64, n))
	}
	return c
}

// fix makes the present parameters the prior, and sets the class's mass.
func (c *cloud) fix(logMass float64) {
	for k := range c.par {
		copy(c.prior[k], c.par[k])
	}
	c.mass = logMass
	for j := range c.base {
		c.base[j] = logMass - math.Log(float64(c.n))
		c.like[j], c.res[j], c.corr[j], c.rest[j] = 0, 0, 0, 0
	}
	c.last = 0
}

// observe adds one residual e (V per cell) of a bin of width d to hypothesis j;
// tol is the voltage that an error in the position of the curve is worth.
func (c *cloud) observe(j int, e, tol, sigma, fade, weight float64, first bool) {
	v := sigma*sigma + tol*tol
	c.like[j] = c.like[j]*fade - 0.5*(min(e*e/v, 50)+quickLog(v/0.0009))*weight
	if first {
		c.res[j] = e
	} else {
		c.res[j] = 0.5 * (c.res[j] + e)
	}
}

// weights fills w with normalised weights and gives the log of their sum.
func (c *cloud) weights(w []float64) float64 {
	top := math.Inf(-1)
	for j := range w {
		top = max(top, c.base[j]+c.like[j]+c.rest[j])
	}
	var sum float64
	for j := range w {
		w[j] = quickExp(c.base[j] + c.like[j] + c.rest[j] - top)
		sum += w[j]
	}
	for j := range w {
		w[j] /= sum
	}
	return top + math.Log(sum)
}

// class is a kind of hypothesis. start forgets the run; step shows it one bin.
type class interface {
	cloudOf() *cloud
	// over gives the same class over another cloud.
	over(c *cloud) class
	step(b *Bin, first bool)
	begin(rest float64, restKnown bool)
	// walk gives the seconds from charge q (parts of the label) to the cut-off.
	walk(j int, a *ahead) float64
	clampPar()
	// about gives the weighted mean charge missing at the first reading (parts of
	// the label) and resistance (V per C-rate).
	about(w []float64) (lack, ohm float64)
	// seed places the part-charged hypotheses where the first reading puts them.
	seed(rest float64, restKnown bool, b *Bin, rng *rand.Rand)
}

// propose records that row j's start was drawn with the given density instead of
// evenly over width.
func (c *cloud) propose(j, row int, start, density, width float64) {
	c.par[row][j], c.prior[row][j] = start, start
	c.corr[j] = -math.Log(math.Max(density*width, 1e-6))
	c.base[j] += c.corr[j]
}

// normal is the density of a normal distribution.
func normal(e, sigma float64) float64 {
	return math.Exp(-0.5*e*e/(sigma*sigma)) / (sigma * 2.5066282746)
}

// systematic draws n indices in proportion to w.
func systematic(w []float64, n int, rng *rand.Rand) []int {
	out := make([]int, 0, n)
	u := rng.Float64() / float64(n)
	j, sum := 0, w[0]
	for k := range n {
		at := u + float64(k)/float64(n)
		for sum < at && j < len(w)-1 {
			j++
			sum += w[j]
		}
		out = append(out, j)
	}
	return out
}

// draws holds weighted draws of a remaining time, sorted by value.
type draws struct {
	x, w []float64
}

func (d *draws) Len() int           { return len(d.x) }
func (d *draws) Less(i, j int) bool { return d.x[i] < d.x[j] }
func (d *draws) Swap(i, j int) {
	d.x[i], d.x[j] = d.x[j], d.x[i]
	d.w[i], d.w[j] = d.w[j], d.w[i]
}

// quantile interpolates the sorted draws at probability p.
func (d *draws) quantile(p float64) float64 {
	var total float64
	for _, w := range d.w {
		total += w
	}
	var sum float64
	for i, w := range d.w {
		if sum+w >= p*total {
			if i == 0 {
				return d.x[0]
			}
			f := (p*total - sum) / w
			return d.x[i-1] + f*(d.x[i]-d.x[i-1])
		}
		sum += w
	}
	return d.x[len(d.x)-1]
}

func (d *draws) sort() { sort.Sort(d) }
