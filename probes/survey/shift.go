package survey

import (
	"math"
	"slices"

	"candlemark/probes/distribution"
)

// Shift is a Hodges-Lehmann estimate with its interval.
type Shift struct {
	Estimate     float64
	Lower, Upper float64
	Level        float64 // what the interval really holds, at least what was asked
	// Bounded is false when there are too few values for an interval of that level.
	Bounded bool
}

// PairedShift is the median of the Walsh averages of paired differences, with the
// interval that the signed-rank distribution gives.
func PairedShift(differences []float64, level float64) Shift {
	n := len(differences)
	if n == 0 {
		return Shift{Estimate: math.NaN()}
	}
	walsh := make([]float64, 0, n*(n+1)/2)
	for i, a := range differences {
		for _, b := range differences[i:] {
			walsh = append(walsh, a/2+b/2)
		}
	}
	if n <= exactPairs {
		ranks := make([]int, n)
		for i := range ranks {
			ranks[i] = i + 1
		}
		return bound(walsh, signedSums(ranks), level)
	}
	N := float64(n)
	return boundNormal(walsh, N*(N+1)/4, N*(N+1)*(2*N+1)/24, level)
}

// UnpairedShift is the median of all differences second less first, with the
// interval that the rank-sum distribution gives.
func UnpairedShift(first, second []float64, level float64) Shift {
	n, m := len(first), len(second)
	if n == 0 || m == 0 {
		return Shift{Estimate: math.NaN()}
	}
	all := make([]float64, 0, n*m)
	for _, a := range first {
		for _, b := range second {
			all = append(all, b-a)
		}
	}
	if n <= exactRounds && m <= exactRounds {
		ranks := make([]int, n+m)
		for i := range ranks {
			ranks[i] = i + 1
		}
		return bound(all, subsetSums(ranks, m)[m*(m+1)/2:], level)
	}
	N, M := float64(n), float64(m)
	return boundNormal(all, N*M/2, N*M*(N+M+1)/12, level)
}

// bound takes the k-th from each end, k being the most that chance, the
// distribution of the statistic from 0 up, allows.
func bound(all, chance []float64, level float64) Shift {
	slices.Sort(all)
	s := Shift{Estimate: middle(all)}
	tail, k := 0.0, 0
	for k < len(chance) && tail+chance[k] <= (1-level)/2+1e-12 {
		tail += chance[k]
		k++
	}
	if k == 0 {
		return s
	}
	k = min(k, (len(all)+1)/2)
	s.Lower, s.Upper, s.Level, s.Bounded = all[k-1], all[len(all)-k], 1-2*tail, true
	return s
}

func boundNormal(all []float64, mean, variance, level float64) Shift {
	slices.Sort(all)
	z := distribution.NormalQuantile((1 + level) / 2)
	k := max(1, int(math.Floor(mean-z*math.Sqrt(variance))))
	return Shift{Estimate: middle(all), Lower: all[k-1], Upper: all[len(all)-k], Level: level, Bounded: true}
}

// middle is the median of sorted values.
func middle(sorted []float64) float64 {
	n := len(sorted)
	if n%2 == 1 {
		return sorted[n/2]
	}
	return sorted[n/2-1]/2 + sorted[n/2]/2
}

func median(values []float64) float64 { return middle(slices.Sorted(slices.Values(values))) }

// spread is the standard deviation of a sample.
func spread(values []float64) float64 { return distribution.StandardDeviation(values) }

// Line is a least-squares line with its standard errors.
type Line struct {
	Slope, Intercept     float64
	SlopeSE, InterceptSE float64
	ResidualSD, R2       float64
	P                    float64 // two-sided, that the slope is 0
}

// Fit is the line through x and y; ok is false under three points or without spread in x.
func Fit(x, y []float64) (l Line, ok bool) {
	n := len(x)
	if n < 3 || len(y) != n || slices.Max(x) == slices.Min(x) {
		return l, false
	}
	mx, my := distribution.Mean(x), distribution.Mean(y)
	var sxx, sxy, syy, xx float64
	for i := range x { // about the means: the plain sums would lose the digits
		dx, dy := x[i]-mx, y[i]-my
		sxx, sxy, syy, xx = sxx+dx*dx, sxy+dx*dy, syy+dy*dy, xx+x[i]*x[i]
	}
	l.Slope = sxy / sxx
	l.Intercept = my - l.Slope*mx
	var residual float64
	for i := range x {
		d := y[i] - my - l.Slope*(x[i]-mx)
		residual += d * d
	}
	df := float64(n - 2)
	l.ResidualSD = math.Sqrt(residual / df)
	l.SlopeSE = l.ResidualSD / math.Sqrt(sxx)
	l.InterceptSE = l.SlopeSE * math.Sqrt(xx/float64(n))
	l.R2, l.P = 1, 1
	if syy > 0 {
		l.R2 = 1 - residual/syy
	}
	switch {
	case l.SlopeSE > 0:
		l.P = 2 * distribution.StudentSurvival(math.Abs(l.Slope/l.SlopeSE), df)
	case l.Slope != 0:
		l.P = 0
	}
	return l, true
}
