package pack

import (
	"math"
	"math/rand/v2"
)

// rebuild is a class resampled and moved, in the making. It is made in small pieces,
// because all of one takes many times what a forecast may: the class it will replace
// answers meanwhile.
type rebuild struct {
	m      class
	from   *cloud
	w      []float64 // normalised weights of from at the time of resampling
	old    []float64 // what the kept rows' evidence was then
	idx    []int     // rows kept
	fresh  []int     // rows drawn from the prior anew
	logSum float64
	row    int // next parameter to move
	at     int // next bin to show
}

// startRebuild begins one if the weights are too uneven; nil if not. w is scratch.
func startRebuild(m class, seen int, rng *rand.Rand, w []float64) *rebuild {
	c := m.cloudOf()
	if seen-c.last < resampleGap {
		return nil
	}
	w = w[:c.n]
	logSum := c.weights(w)
	var ss float64
	for _, x := range w {
		ss += x * x
	}
	if 1/ss > minESS*float64(c.n) {
		return nil
	}
	c.last = seen
	kept := int(keepShare * float64(c.n))
	r := &rebuild{from: c, w: append([]float64(nil), w...), idx: systematic(w, kept, rng), logSum: logSum,
		old: make([]float64, kept), fresh: make([]int, c.n-kept)}
	for k, j := range r.idx {
		r.old[k] = c.like[j] + c.rest[j]
	}
	for k := range r.fresh {
		r.fresh[k] = rng.IntN(c.n)
	}
	n := newCloud(c.n, c.kind...)
	n.prior, n.corr, n.mass, n.last = c.prior, c.corr, c.mass, seen
	r.m = m.over(n)
	return r
}

// work does at least one piece, and then as many as budget (rows moved or shown a
// bin) allows; it says what is left of the budget and whether the class is ready.
func (r *rebuild) work(bins []Bin, rest float64, known bool, rng *rand.Rand, budget int) (left int, ready bool) {
	c := r.m.cloudOf()
	for first := true; first || budget >= c.n; first = false {
		budget -= c.n
		switch {
		case r.row < len(c.par):
			move(c.par[r.row], r.from.par[r.row], c.prior[r.row], c.kind[r.row], r.w, r.idx, r.fresh, rng)
			r.row++
			if r.row == len(c.par) {
				r.begin(rest, known)
			}
		case r.at < len(bins):
			b, next := olderBins(bins, r.at)
			r.m.step(&b, r.at == 0)
			r.at = next
		}
		if r.row == len(c.par) && r.at >= len(bins) {
			return budget, true
		}
	}
	return budget, false
}

// begin sets the weights once all parameters are moved.
func (r *rebuild) begin(rest float64, known bool) {
	c := r.m.cloudOf()
	r.m.clampPar()
	r.m.begin(rest, known)
	for k := range r.idx {
		c.base[k] = r.logSum + math.Log(keepShare/float64(len(r.idx))) - r.old[k]
	}
	for k, j := range r.fresh {
		c.base[len(r.idx)+k] = c.mass + c.corr[j] + math.Log((1-keepShare)/float64(len(r.fresh)))
	}
}

// resampleNow resamples at once where it is due; for training, where nobody waits.
func resampleNow(m class, bins []Bin, rest float64, known bool, rng *rand.Rand, w []float64) class {
	r := startRebuild(m, len(bins), rng, w)
	if r == nil {
		return m
	}
	r.work(bins, rest, known, rng, math.MaxInt)
	return r.m
}

// olderBins gives the bin to show at position i of a history shown again, and the
// next position: a long history is shown in about replayGroups means, for errors are
// correlated over more than one bin; the last bins singly, for the knee is bent.
func olderBins(bins []Bin, i int) (b Bin, next int) {
	group := (len(bins) - replaySingly + replayGroups - 1) / replayGroups
	b, next = bins[i], i+1
	for ; next < i+group && next < len(bins)-replaySingly; next++ {
		b = mergeBins(&b, &bins[next])
	}
	return b, next
}

const (
	replayGroups = 64
	replaySingly = 8
)

// move fills out with the chosen rows of par, jittered by a share of their spread,
// and with fresh draws from the prior.
func move(out, par, prior []float64, kind paramKind, w []float64, idx, fresh []int, rng *rand.Rand) {
	var mean, sq float64
	for j, y := range par {
		if kind == scale {
			y = math.Log(y)
		}
		mean += w[j] * y
		sq += w[j] * y * y
	}
	h := 0.3 * math.Sqrt(math.Max(0, sq-mean*mean))
	switch kind {
	case scale:
		h += 0.004
	case offset:
		h += 0.001
	}
	for k, j := range idx {
		y := par[j]
		switch kind {
		case scale:
			y = min(max(y*quickExp(h*rng.NormFloat64()), 1e-4), 1e3)
		case offset:
			y = min(max(y+h*rng.NormFloat64(), -10), 10)
		}
		out[k] = y
	}
	for k, j := range fresh {
		out[len(idx)+k] = prior[j]
	}
}
