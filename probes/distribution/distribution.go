// Package distribution has the distributions that the statistics of probes and
// surveys rest on. The special functions are gonum's mathext; gonum's own distuv
// would bring a linear-algebra library into the agent, more than 2 MB of a binary
// that may weigh 20.
package distribution

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// NormalQuantile is the standard normal value below which a share p lies, 0 < p < 1.
func NormalQuantile(p float64) float64 { return mathext.NormalQuantile(p) }

// NormalCDF is the share of the standard normal distribution below z.
func NormalCDF(z float64) float64 { return 0.5 * math.Erfc(-z/math.Sqrt2) }

// StudentQuantile is the value of Student's t with nu degrees of freedom (above 0)
// below which a share p lies, 0 < p < 1.
func StudentQuantile(p, nu float64) float64 {
	if p < 0.5 {
		return -StudentQuantile(1-p, nu)
	}
	// P(|T| > t) = I(nu/(nu+t²); nu/2, 1/2) (Abramowitz and Stegun 26.7.1). Near the
	// middle the complement keeps the digits.
	tail := 2 * (1 - p)
	if tail < 0.5 {
		x := mathext.InvRegIncBeta(nu/2, 0.5, tail)
		return math.Sqrt(nu * (1 - x) / x)
	}
	y := mathext.InvRegIncBeta(0.5, nu/2, 1-tail)
	return math.Sqrt(nu * y / (1 - y))
}

// StudentSurvival is the share of Student's t with nu degrees of freedom above t.
func StudentSurvival(t, nu float64) float64 {
	half := 0.5 * mathext.RegIncBeta(nu/2, 0.5, nu/(nu+t*t))
	if t < 0 {
		return 1 - half
	}
	return half
}

// ChiSquaredQuantile is the value of chi-squared with k degrees of freedom (above
// 0) below which a share p lies, 0 < p < 1.
func ChiSquaredQuantile(p, k float64) float64 { return 2 * mathext.GammaIncRegInv(k/2, p) }

// Mean is the mean; NaN for no values.
func Mean(values []float64) float64 {
	sum := 0.0
	for _, v := range values {
		sum += v
	}
	return sum / float64(len(values))
}

// StandardDeviation is that of a sample, about its mean in a second pass so that
// large offsets lose no digits (NIST StRD NumAcc4); NaN under two values.
func StandardDeviation(values []float64) float64 {
	m, sum := Mean(values), 0.0
	for _, v := range values {
		sum += (v - m) * (v - m)
	}
	return math.Sqrt(sum / float64(len(values)-1))
}
