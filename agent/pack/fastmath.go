package pack

import "math"

// quickExp is exp(x) within 5e-6 of its value for |x| < 700, four times as fast:
// the hypotheses need no more, and this is where their time goes. The mantissa's
// polynomial is the Taylor series of 2^f about f = 0 for |f| <= 1/2.
func quickExp(x float64) float64 {
	x *= math.Log2E
	if x < -1000 {
		return 0
	}
	if x > 1000 {
		x = 1000
	}
	n := math.Floor(x + 0.5)
	f := (x - n) * math.Ln2
	p := 1 + f*(1+f*(0.5+f*(1.0/6+f*(1.0/24+f*(1.0/120)))))
	return p * math.Float64frombits(uint64(int64(n)+1023)<<52)
}

// quickLog is log(x) within 2e-5 for normal positive x: the exponent, and
// 2 atanh((m-1)/(m+1)) of the mantissa by three terms of its series.
func quickLog(x float64) float64 {
	b := math.Float64bits(x)
	e := int(b>>52) - 1023
	m := math.Float64frombits(b&(1<<52-1) | 1023<<52)
	if m > math.Sqrt2 {
		m *= 0.5
		e++
	}
	s := (m - 1) / (m + 1)
	q := s * s
	return float64(e)*math.Ln2 + 2*s*(1+q*(1.0/3+q*(0.2+q*(1.0/7))))
}
