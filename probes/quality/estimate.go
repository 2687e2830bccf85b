package quality

import (
	"math"
	"slices"

	"candlemark/probes"
	"candlemark/probes/distribution"
)

// estimate is a value with its standard error. Where df is 0 the error is that of
// a normal distribution.
type estimate struct {
	v, se, df float64
	n         int
}

// LeastRounds is how many values an estimate needs: under three there is no spread to
// speak of.
const LeastRounds = 3

// resolutionMs is the error a delay has however well its values agree: probes take
// times in the process.
const resolutionMs = 0.05

// trimmed is the 20 % trimmed mean with the standard error of Yuen (1974), which
// takes single outliers, common on radio links, without losing its footing. ok is
// false under LeastRounds values.
func trimmed(values []float64) (e estimate, ok bool) {
	n := len(values)
	if n < LeastRounds {
		return estimate{n: n}, false
	}
	s := slices.Sorted(slices.Values(values))
	g := n / 5
	h := float64(n - 2*g)
	e = estimate{v: mean(s[g : n-g]), df: h - 1, n: n}
	for i := range g { // winsorized
		s[i], s[n-1-i] = s[g], s[n-1-g]
	}
	m := mean(s)
	var squares float64
	for _, v := range s {
		squares += (v - m) * (v - m)
	}
	e.se = max(math.Sqrt(squares/(h*(h-1))), resolutionMs)
	return e, true
}

// less subtracts an independent estimate (Welch's degrees of freedom).
func (e estimate) less(o estimate) estimate {
	a, b := e.se*e.se, o.se*o.se
	d := estimate{v: e.v - o.v, se: math.Sqrt(a + b), n: e.n}
	if e.df > 0 && o.df > 0 {
		d.df = (a + b) * (a + b) / (a*a/e.df + b*b/o.df)
	} else {
		d.df = max(e.df, o.df)
	}
	return d
}

// reach is how far the one-sided bound with chance p lies from the value.
func (e estimate) reach(p float64) float64 {
	if e.df <= 0 {
		return e.se * distribution.NormalQuantile(p)
	}
	return e.se * distribution.StudentQuantile(p, e.df)
}

// count is packets lost of packets sent.
type count struct{ lost, sent int }

func (c count) ratio() float64 { return float64(c.lost) / float64(c.sent) }

// excess is the difference of loss ratios, sum of plus less sum of minus, with a
// bound on either side from the Wilson intervals of each (Newcombe 1998, method 10).
func excess(plus, minus []count, z float64) (v, lower, upper float64) {
	var down, up float64
	for _, c := range plus {
		l, u, _ := probes.Wilson(c.lost, c.sent, z)
		p := c.ratio()
		v, down, up = v+p, down+(p-l)*(p-l), up+(u-p)*(u-p)
	}
	for _, c := range minus {
		l, u, _ := probes.Wilson(c.lost, c.sent, z)
		p := c.ratio()
		v, down, up = v-p, down+(u-p)*(u-p), up+(p-l)*(p-l)
	}
	return v, v - math.Sqrt(down), v + math.Sqrt(up)
}
