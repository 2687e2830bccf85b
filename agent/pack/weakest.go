package pack

import (
	"math"
	"math/rand/v2"
)

// The weakest cell of a series pack. Cells are charged together, so all are full
// together, and the one with the least capacity is empty first. Its knee comes before
// the others' and bends the pack's voltage by 1/n; where a protection board watches
// every cell (Spec.CellCutoffV), it ends the pack alone.
//
// A hypothesis carries one number: by what share the weakest cell falls short of the
// mean. The sum over the cells is then the mean curve, plus an nth of what the weakest
// one departs from that curve's tangent, since to first order the others make up for
// it. Lead-acid batteries have no such number: theirs are learned as a whole.
const (
	// Spread of capacity between the cells of one pack (standard deviation). Unsorted
	// cells of one batch differ by 1.9 % (M. Dubarry, N. Vuillaume, B. Y. Liaw, Int. J.
	// Energy Res. 34 (2010) 216), packs are built of sorted ones. With age cells of one
	// batch drift apart by several per cent (T. Baumhöfer et al., J. Power Sources 247
	// (2014) 332). Both from memory.
	matchedSpread = 0.01
	agedSpread    = 0.1 // and this much of the capacity lost

	weakFrom = 0.35 // state of charge above which curves are straight enough for the tangent
	weakMost = 0.3
)

// seriesSpread says whether cells of this kind are told apart.
func seriesSpread(ch Chemistry, cells int) bool {
	return cells > 1 && (ch == LiIon || ch == LFP)
}

// drawWeakest draws the shortfall of the least of n cells: the least of n normals.
func (c *circuit) drawWeakest(rng *rand.Rand) {
	row := c.par[c.weak]
	for j := range c.n {
		sd := matchedSpread*math.Exp(0.5*rng.NormFloat64()) + agedSpread*max(0, 1-c.par[cCap][j])
		below := math.Sqrt2 * math.Erfinv(2*math.Pow(rng.Float64(), 1/float64(c.cells))-1)
		row[j] = min(max(sd*below, 0), weakMost)
	}
}

// weakest is the weakest cell of hypothesis j at mean state of charge z: its charge
// and open voltage, what the knee adds to its resistance, and what it adds to the mean
// cell's open voltage and resistance. u, du and k are the mean cell's.
func (c *circuit) weakest(j int, z, shift, u, du, k float64) (zw, uw, kw, addU, addK float64) {
	p := c.par
	d := p[c.weak][j] * (1 - z)
	w := p[cWidth][j]
	zw = z - d
	uw, _ = c.curves[int(p[cCurve][j])].at(zw)
	kw = p[cKnee][j] * quickExp(-max(zw-shift, -0.05)/w)
	n := 1 / float64(c.cells)
	return zw, uw, kw, (uw - u + d*du) * n, (kw - k - d*k/w) * n
}
