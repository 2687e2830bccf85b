package probes

import "math"

// Z95 is the standard normal quantile of a two-sided 95 % interval.
const Z95 = 1.959963984540054

// Wilson is the score interval of a ratio of which k in n were seen (Wilson 1927),
// for the normal quantile z. With none seen its upper end is z²/(n + z²): nothing
// lost of a hundred does not prove that nothing is lost. ok is false without a
// sample or when k is not from 0 to n.
func Wilson(k, n int, z float64) (lower, upper float64, ok bool) {
	if n <= 0 || k < 0 || k > n || !(z > 0) {
		return 0, 0, false
	}
	p, N := float64(k)/float64(n), float64(n)
	middle := p + z*z/(2*N)
	half := z * math.Sqrt(p*(1-p)/N+z*z/(4*N*N))
	scale := 1 + z*z/N
	lower, upper = (middle-half)/scale, (middle+half)/scale
	// Rounding must not leave a trace of loss where there was none to see.
	if k == 0 {
		lower = 0
	}
	if k == n {
		upper = 1
	}
	return lower, upper, true
}
