package plan

import (
	"math"
)

// Roots are the two voltages at which a constant-power load of w can sit behind
// ohm from supplyV: the stable and the unstable one. ok is false where the line
// cannot carry the power, which ends at MostPowerW.
func Roots(supplyV, ohm, w float64) (stableV, unstableV float64, ok bool) {
	d := supplyV*supplyV - 4*ohm*w
	if d < -1e-12*supplyV*supplyV {
		return 0, 0, false
	}
	s := math.Sqrt(math.Max(d, 0))
	return (supplyV + s) / 2, (supplyV - s) / 2, true
}

// MostPowerW is the most a line can carry at all: V²/4R, at half the voltage.
func MostPowerW(supplyV, ohm float64) float64 { return supplyV * supplyV / (4 * ohm) }

// rung is one place on a stretch: the resistance from the rung before it, and the
// power drawn there.
type rung struct{ ohm, w float64 }

// solve gives the stable voltage at each rung of a stretch fed with supplyV: the
// greatest solution of V = supplyV - A (P/V). Newton's method from above comes
// down to it and cannot pass it, since each row is convex; where a step would
// rise or go below zero there is no solution.
func solve(supplyV float64, rungs []rung) (v []float64, ok bool) {
	n := len(rungs)
	v = make([]float64, n)
	along := make([]float64, n) // resistance from the supply
	sum, drawn := 0.0, 0.0
	for i, r := range rungs {
		sum += r.ohm
		along[i], v[i] = sum, supplyV
		drawn += r.w
	}
	if drawn == 0 || sum == 0 {
		return v, supplyV > 0
	}
	if !(supplyV > 0) {
		return nil, false
	}
	if n == 1 {
		v[0], _, ok = Roots(supplyV, sum, drawn)
		return v, ok
	}
	jacobian, step := make([][]float64, n), make([]float64, n)
	for i := range jacobian {
		jacobian[i] = make([]float64, n)
	}
	for range 200 {
		worst := 0.0
		for i := range n {
			e := v[i] - supplyV
			for j, r := range rungs {
				shared := along[min(i, j)]
				e += shared * r.w / v[j]
				d := -shared * r.w / (v[j] * v[j])
				if i == j {
					d++
				}
				jacobian[i][j] = d
			}
			step[i] = e
			worst = math.Max(worst, math.Abs(e))
		}
		if worst <= 1e-13*supplyV {
			return v, true
		}
		if !eliminate(jacobian, step) {
			return nil, false
		}
		largest := 0.0
		for i := range n {
			s := step[i]
			if math.IsNaN(s) || s < -1e-9*supplyV || s >= v[i] {
				return nil, false
			}
			v[i] -= s
			largest = math.Max(largest, s)
		}
		if largest <= 1e-14*supplyV {
			return v, true
		}
	}
	return nil, false
}

// eliminate solves a x = b in place by Gaussian elimination with partial pivoting;
// x is left in b. ok is false where a is singular. A stretch has few rungs, and a
// linear-algebra library would be a tenth of the program.
func eliminate(a [][]float64, b []float64) (ok bool) {
	n := len(b)
	for c := range n {
		pivot := c
		for r := c + 1; r < n; r++ {
			if math.Abs(a[r][c]) > math.Abs(a[pivot][c]) {
				pivot = r
			}
		}
		a[c], a[pivot], b[c], b[pivot] = a[pivot], a[c], b[pivot], b[c]
		if a[c][c] == 0 {
			return false
		}
		for r := c + 1; r < n; r++ {
			f := a[r][c] / a[c][c]
			for k := c; k < n; k++ {
				a[r][k] -= f * a[c][k]
			}
			b[r] -= f * b[c]
		}
	}
	for r := n - 1; r >= 0; r-- {
		for k := r + 1; k < n; k++ {
			b[r] -= a[r][k] * b[k]
		}
		b[r] /= a[r][r]
	}
	return true
}
