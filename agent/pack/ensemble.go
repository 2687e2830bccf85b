package pack

import (
	"math"
	"math/rand/v2"
)

const (
	circuitN     = 2000 // hypotheses of the generic class beside history
	aloneN       = 5000 // and without
	freshN       = 1000
	templateSize = 1500
	drawsN       = 200
)

// ensemble is the set of competing classes for one discharge.
type ensemble struct {
	classes []class
	making  []*rebuild // what shall replace each class; nil: nothing
	ch      Chemistry
	cells   int
	runs    []Run
	trained *circuit
	rng     *rand.Rand
	w       [][]float64
	rest    float64
	rested  bool
	seen    int     // bins shown
	ratio   float64 // learned sag ratio; 0 unknown
	total   []float64
}

// newEnsemble draws the generic class and trains it through the earlier runs: the
// costly part, some tens of milliseconds with history.
func newEnsemble(ch Chemistry, cells int, runs []Run) *ensemble {
	e := &ensemble{rng: rand.New(rand.NewPCG(1, 2)), ch: ch, cells: cells, runs: runs}
	n := aloneN
	if len(runs) > 0 {
		n = circuitN
	}
	e.trained = newCircuit(ch, cells, n, e.rng)
	e.trained.fix(0)
	w := make([]float64, n)
	for i := range runs {
		r := &runs[i]
		e.trained.seed(r.RestV, r.Rested, &r.Bins[0], e.rng)
		e.trained.begin(r.RestV, r.Rested)
		for k := range r.Bins {
			e.trained.step(&r.Bins[k], k == 0)
			e.trained = resampleNow(e.trained, r.Bins[:k+1], r.RestV, r.Rested, e.rng, w).(*circuit)
		}
		e.trained.learnEnd(r, e.rng)
		if r.Ratio > 0 {
			e.ratio = r.Ratio
		}
	}
	return e
}

// begin builds the competing classes once the conditions are known: a template for
// each whole earlier run, the trained circuit, and a fresh one. first is the first
// bin, rest the voltage before the load came, if it was seen.
func (e *ensemble) begin(rate, rest float64, rested bool, first *Bin) {
	e.rest, e.rested = rest, rested
	mismatch, spread := 0.0, 0.03
	var ended []*Run
	for i := range e.runs {
		// A run that began part-charged is a template for one that begins alike, and for
		// one whose beginning was not seen and lies further on.
		r := &e.runs[i]
		if r.template() || r.Ended && (rested && math.Abs(rest-r.RestV) < 0.05 || !rested && first.V < r.Bins[0].V+0.02) {
			ended = append(ended, r)
		}
	}
	if n := len(ended); n > 1 {
		spread = math.Min(0.1, 0.7*spread+0.5*math.Abs(math.Log(ended[n-1].Total/ended[n-2].Total)))
	}
	share := 1.0
	for i, r := range ended {
		// A run may begin with a burst: then it is compared with the earlier beginning.
		dl := math.Min(logRatio(rate, r.meanRate()), logRatio(first.I, r.Bins[0].I))
		dt := math.Abs(first.T - r.startTempC())
		if !rested { // seen from its midst on: compared with the midst of the earlier one
			b := r.lastAbove(first.V)
			dl = math.Min(dl, logRatio(first.I, b.I))
			dt = math.Min(dt, math.Abs(first.T-b.T))
		}
		mismatch = math.Min(math.Max((0.3*dl+0.01*dt-0.05)/0.2, 0), 1)
		share = 0.3 + 0.4*mismatch
		t := newTemplate(r, e.ch, templateSize, spread+0.12*mismatch, mismatch, e.rng)
		m := 0.3
		if i == len(ended)-1 {
			m = 0.7
		}
		t.fix(math.Log((1 - share) * m))
		e.classes = append(e.classes, t)
	}
	e.trained.loosen(mismatch, e.rng)
	e.trained.fix(math.Log(share))
	e.classes = append(e.classes, e.trained)
	if len(e.runs) > 0 {
		fresh := newCircuit(e.ch, e.cells, freshN, e.rng)
		fresh.fix(math.Log(0.02 + 0.3*mismatch))
		e.classes = append(e.classes, fresh)
	}
	e.allocate()
	for _, m := range e.classes {
		m.seed(rest, rested, first, e.rng)
		m.begin(rest, rested)
	}
}

func (e *ensemble) allocate() {
	n := 0
	for _, m := range e.classes {
		e.w = append(e.w, make([]float64, m.cloudOf().n))
		n += m.cloudOf().n
	}
	e.total = make([]float64, len(e.classes))
	e.making = make([]*rebuild, len(e.classes))
}

// logRatio is how far two rates are apart.
func logRatio(a, b float64) float64 {
	return math.Abs(math.Log(math.Max(a, 1e-6) / math.Max(b, 1e-6)))
}

// step shows the next bin; bins are all so far.
func (e *ensemble) step(bins []Bin) {
	b := &bins[len(bins)-1]
	for i, m := range e.classes {
		m.step(b, e.seen == 0)
		if e.making[i] == nil {
			e.making[i] = startRebuild(m, len(bins), e.rng, e.w[i])
		}
	}
	e.seen++
}

// merged is told that older bins were merged and n of what is left were shown.
func (e *ensemble) merged(n int) {
	clear(e.making)
	for _, m := range e.classes {
		c := m.cloudOf()
		c.last = min(c.last, n)
	}
}

// rebuildBudget is how many rows a forecast may move or show a bin for the sake of
// resampling: about half a millisecond on the machine of DEVELOPERS.md.
const rebuildBudget = 15000

// work carries on with the resamplings in the making.
func (e *ensemble) work(bins []Bin, budget int) {
	for i, r := range e.making {
		if r == nil || budget <= 0 {
			continue
		}
		left, ready := r.work(bins, e.rest, e.rested, e.rng, budget)
		if budget = left; ready {
			e.classes[i], e.making[i] = r.m, nil
		}
	}
}

// ahead draws remaining times, s.
func (e *ensemble) draw(a *ahead, d *draws) {
	d.x, d.w = d.x[:0], d.w[:0]
	top := math.Inf(-1)
	for i, m := range e.classes {
		e.total[i] = m.cloudOf().weights(e.w[i])
		top = math.Max(top, e.total[i])
	}
	var sum float64
	for i := range e.total {
		e.total[i] = math.Exp(e.total[i] - top)
		sum += e.total[i]
	}
	for i, m := range e.classes {
		n := int(math.Round(drawsN * e.total[i] / sum))
		if n < 2 {
			continue
		}
		w := e.w[i]
		j, acc := 0, w[0]
		prev := -1
		for k := range n {
			at := (float64(k) + 0.5) / float64(n)
			for acc < at && j < len(w)-1 {
				j++
				acc += w[j]
			}
			if j == prev && a.loadSD == 0 && a.cutSD == 0 {
				d.w[len(d.w)-1]++
				continue
			}
			prev = j
			d.x = append(d.x, m.walk(j, a.vary(len(d.x))))
			d.w = append(d.w, 1)
		}
	}
	d.sort()
}

// learnEnd weighs the trained circuit by where the run really ended, then
// resamples it with the drift that may happen between runs.
func (c *circuit) learnEnd(r *Run, rng *rand.Rand) {
	w := make([]float64, c.n)
	if r.Ended && len(r.Bins) > 10 {
		k := len(r.Bins) * 7 / 10
		b := &r.Bins[k]
		var rate float64
		for i := len(r.Bins) - 3; i < len(r.Bins); i++ {
			rate += r.Bins[i].I / 3
		}
		rate = math.Max(rate, 1e-6)
		a := ahead{q: b.Q, tempC: b.T, load: load{constantCurrent: true, rate: rate, power: 1}, cutV: r.EndV}
		truth := r.Total - b.Q
		for j := range c.n {
			c.res[j] = 0
			e := (c.walk(j, &a)*rate/3600 - truth) / 0.03
			c.like[j] -= 0.5 * math.Min(e*e, 50)
		}
	}
	c.weights(w)
	temper(w, 0.1*float64(c.n))
	idx := systematic(w, c.n, rng)
	sd := [...]float64{cCap: 0.03, cRes: 0.12, cKnee: 0.2, cWidth: 0.1, cSlow: 0.1, cExchange: 0, cBias: 0.005, cTilt: 0.005, cStart: 0, cCurve: 0, mostRows - 1: 0}
	for k := range c.par {
		row := make([]float64, c.n)
		for i, j := range idx {
			x := c.par[k][j]
			switch c.kind[k] {
			case scale:
				x *= math.Exp(sd[k] * rng.NormFloat64())
			case offset:
				x += sd[k] * rng.NormFloat64()
			}
			row[i] = x
		}
		copy(c.par[k], row)
	}
	c.drawStart(rng)
	c.fix(0)
}

// loosen widens what was learned, for conditions it was not learned under.
func (c *circuit) loosen(mismatch float64, rng *rand.Rand) {
	for j := range c.n {
		c.par[cCap][j] *= math.Exp(0.08 * mismatch * rng.NormFloat64())
		c.par[cRes][j] *= math.Exp(0.25 * mismatch * rng.NormFloat64())
		c.par[cKnee][j] *= math.Exp(0.4 * mismatch * rng.NormFloat64())
		c.par[cWidth][j] *= math.Exp(0.3 * mismatch * rng.NormFloat64())
		c.par[cBias][j] += 0.01 * mismatch * rng.NormFloat64()
		c.par[cTilt][j] += 0.01 * mismatch * rng.NormFloat64()
	}
}

// temper flattens normalised weights to powers until they stand for at least ess
// equal ones: where no hypothesis fits, the best of them must not be believed alone.
func temper(w []float64, ess float64) {
	for range 12 {
		var ss float64
		for _, x := range w {
			ss += x * x
		}
		if 1/ss >= ess {
			return
		}
		var sum float64
		for j, x := range w {
			w[j] = math.Pow(x, 0.7)
			sum += w[j]
		}
		for j := range w {
			w[j] /= sum
		}
	}
}

// posterior gives the mean charge missing at the first reading (parts of the label)
// and the mean resistance (V per C-rate and cell) of the hypotheses.
func (e *ensemble) posterior() (lack, ohm float64) {
	var sum float64
	for i := range e.total {
		sum += e.total[i]
	}
	for i, m := range e.classes {
		if e.total[i] < 0.01*sum {
			continue
		}
		l, r := m.about(e.w[i])
		lack += l * e.total[i] / sum
		ohm += r * e.total[i] / sum
	}
	return lack, ohm
}
