package pack

import "math"

// window gives the value whose neighbourhood, of relative half-width w, holds most of
// the draws' weight: what a person who is served by "about right" wants to be told,
// where the median may fall between two modes and be right for neither.
func (d *draws) window(w float64) float64 {
	const points = 48
	lo, hi := math.Max(d.quantile(0.05), 1), math.Max(d.quantile(0.95), 2)
	step := math.Log(hi/lo) / (points - 1)
	best, most := d.quantile(0.5), 0.0
	if step < 1e-6 {
		return best
	}
	for k := range points {
		g := lo * math.Exp(float64(k)*step)
		var sum float64
		for i, x := range d.x {
			if e := (g - x) / (w * math.Max(x, 1)); e > -4 && e < 4 {
				sum += d.w[i] * quickExp(-0.5*e*e)
			}
		}
		if sum > most {
			best, most = g, sum
		}
	}
	return best
}

// reportWindow is the half-width of the neighbourhood: a tenth, what planners call right.
const reportWindow = 0.10
