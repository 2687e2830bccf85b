package survey

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/stat"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s is %.15g, want %.15g within %.3g", what, got, want, tolerance)
	}
}

// Permeability of the human chorioamnion at term and at 12 to 26 weeks: Hollander
// and Wolfe (1973), Nonparametric Statistical Methods, p. 69 f.
var (
	term  = []float64{0.80, 0.83, 1.89, 1.04, 1.45, 1.38, 1.91, 1.64, 0.73, 1.46}
	early = []float64{1.15, 0.88, 0.90, 0.74, 1.21}
)

func TestRankSumOfHollanderAndWolfe(t *testing.T) { // F1
	r := RankSum(early, term)
	near(t, "U", r.Statistic, 35, 0)
	near(t, "one-sided P", r.Upper, 382.0/3003, 1e-12)
	near(t, "two-sided P", r.P, 0.25441, 0.000005)
	if !r.Exact || r.Tied {
		t.Errorf("%+v", r)
	}
	near(t, "U the other way", RankSum(term, early).Statistic, 15, 0)
}

func TestNormalApproximationOfTheSame(t *testing.T) { // F2: 0.1223 one-sided with continuity
	upper, _ := normalTails(35, 25, 10*5*16/12.0)
	near(t, "P", upper, 0.1223, 0.00005)
}

func TestShiftOfHollanderAndWolfe(t *testing.T) { // F3: the 9th from each end of 50 differences
	s := UnpairedShift(early, term, 0.95)
	near(t, "shift", s.Estimate, 0.305, 1e-12)
	near(t, "lower", s.Lower, -0.15, 1e-12)
	near(t, "upper", s.Upper, 0.76, 1e-12)
	near(t, "level", s.Level, 0.960, 0.0005)
}

// Depression scale at the first and second visit: Hollander and Wolfe (1973),
// p. 29 f; from memory of their data, which F7's standard error confirms.
var depression = subtract(
	[]float64{1.83, 0.50, 1.62, 2.48, 1.68, 1.88, 1.55, 3.06, 1.30},
	[]float64{0.878, 0.647, 0.598, 2.05, 1.06, 1.29, 1.06, 3.14, 1.29},
)

func subtract(a, b []float64) []float64 {
	d := make([]float64, len(a))
	for i := range a {
		d[i] = a[i] - b[i]
	}
	return d
}

func TestSignedRankOfHollanderAndWolfe(t *testing.T) { // W = 40, P = 0.01953 one-sided: 10/512
	r := SignedRank(depression)
	near(t, "W", r.Statistic, 40, 0)
	near(t, "one-sided P", r.Upper, 10.0/512, 1e-15)
	near(t, "two-sided P", r.P, 20.0/512, 1e-15)
	if s := PairedShift(depression, 0.95); !s.Bounded || s.Lower <= 0 || math.Abs(s.Estimate-0.46) > 0.001 {
		t.Errorf("%+v", s) // the book's estimate: 0.46
	}
}

// F7: the standard error of the mean by the bootstrap tends to
// s sqrt((n-1)/n)/sqrt(n) (Efron); 10 000 draws are within 1.5 %.
func TestBootstrapOfTheSameDifferences(t *testing.T) {
	n := float64(len(depression))
	near(t, "limit", spread(depression)*math.Sqrt((n-1)/n)/math.Sqrt(n), 0.1341, 0.00005)
	r := rand.New(rand.NewPCG(7, 7))
	means := make([]float64, 10_000)
	for i := range means {
		for range depression {
			means[i] += depression[r.IntN(len(depression))] / n
		}
	}
	near(t, "bootstrap", spread(means), 0.1341, 0.015*0.1341)
}

func TestSmallestNumbersThatCanTell(t *testing.T) { // F9, exact
	for n, want := range map[int]float64{5: 0.0625, 6: 0.03125} {
		d := make([]float64, n)
		for i := range d {
			d[i] = float64(i + 1)
		}
		r := SignedRank(d)
		near(t, "P of pairs all one way", r.P, want, 1e-15)
		near(t, "least P", r.LeastP, want, 1e-15)
	}
	for n, want := range map[int]float64{3: 0.10, 4: 2.0 / 70} {
		var a, b []float64
		for i := range n {
			a, b = append(a, float64(i)), append(b, float64(10+i))
		}
		r := RankSum(a, b)
		near(t, "P of two groups apart", r.P, want, 1e-12)
		near(t, "least P", r.LeastP, want, 1e-12)
	}
	for n := 1; n < leastPairs; n++ {
		if s := PairedShift(make([]float64, n), 0.95); s.Bounded {
			t.Errorf("%d pairs have an interval of 95 %%", n)
		}
	}
}

func TestDriftCancelsInTheCounterbalancedOrder(t *testing.T) { // F10: 100 + 2 a slot, no true effect
	p := Plan{Arrangements: []string{"a", "b"}, Order: Counterbalanced}
	mean := func(slots []int) float64 {
		var sum [2]float64
		for i, a := range slots {
			sum[a] += 100 + 2*float64(i)
		}
		n := float64(len(slots)) / 2
		return sum[1]/n - sum[0]/n
	}
	near(t, "A B A B", mean([]int{0, 1, 0, 1}), 2, 0)
	near(t, "A B B A", mean(p.slots(2)), 0, 0)
	near(t, "16 slots", mean(p.slots(8)), 0, 0)
}

// F11: 80 % power, two-sided 5 %. Each of two arms takes 2 (z+z)² (sd/difference)²;
// paired values that agree by r need (1 - r) times that.
func TestRoundsForATwentyPerCentChange(t *testing.T) {
	normal := func(float64) float64 { return 1e9 }
	for _, c := range []struct {
		cv            float64
		arm, pairedBy float64
	}{{0.10, 4, 2}, {0.15, 9, 5}, {0.20, 16, 8}, {0.30, 36, 18}, {0.50, 99, 50}} {
		n := 2 * roundsFor(c.cv/0.20, alpha/2, sure, normal)
		near(t, "per arm", math.Ceil(n), c.arm, 0)
		near(t, "pairs that agree by 0.5", math.Ceil(n/2), c.pairedBy, 0)
	}
	near(t, "efficiency of a rank test", rankEfficiency, 0.955, 0.0005)
}

// F12, NIST/SEMATECH e-Handbook 7.2.2.2: alpha 0.05 one-sided, beta 0.10, sigma
// over difference 1: 8.56, so 9 by the normal quantiles, then 10.6, so 11 with t.
func TestRoundsWithStudentsT(t *testing.T) {
	never := func(float64) float64 { return 1e9 }
	near(t, "normal", roundsFor(1, 0.05, 0.90, never), 8.56, 0.01)
	at9 := func(float64) float64 { return 8 }
	near(t, "with t of 9", roundsFor(1, 0.05, 0.90, at9), 10.6, 0.05)
	got := math.Ceil(roundsFor(1, 0.05, 0.90, func(n float64) float64 { return n - 1 }))
	near(t, "settled", got, 11, 0)
}

// NIST StRD, linear regression, data set Norris, certified values to 1e-10.
func TestLineOfNorris(t *testing.T) { // F13
	x := []float64{0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5, 666.9, 338.0, 447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5}
	y := []float64{0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8, 339.3, 448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2}
	l, ok := Fit(x, y)
	if !ok {
		t.Fatal("no line")
	}
	for _, c := range []struct {
		what      string
		got, want float64
	}{
		{"slope", l.Slope, 1.00211681802045}, {"intercept", l.Intercept, -0.262323073774029},
		{"R2", l.R2, 0.999993745883712}, {"residual SD", l.ResidualSD, 0.884796396144373},
		{"slope's error", l.SlopeSE, 4.29796848199937e-4}, {"intercept's error", l.InterceptSE, 0.232818234301152},
	} {
		near(t, c.what, c.got, c.want, 1e-10*math.Abs(c.want))
	}
}

// NIST StRD, univariate, NumAcc1, 2 and 4: a naive sum of squares fails at 4.
func TestSpreadKeepsItsDigits(t *testing.T) { // F14
	series := func(first, low, high float64) []float64 {
		all := []float64{first}
		for range 500 {
			all = append(all, low, high)
		}
		return all
	}
	for _, c := range []struct {
		name         string
		values       []float64
		mean, sd, to float64
	}{
		{"NumAcc1", []float64{10000001, 10000003, 10000002}, 10000002, 1, 1e-12},
		{"NumAcc2", series(1.2, 1.1, 1.3), 1.2, 0.1, 1e-12},
		{"NumAcc4", series(10000000.2, 10000000.1, 10000000.3), 10000000.2, 0.1, 1e-8},
	} {
		near(t, c.name+" mean", stat.Mean(c.values, nil), c.mean, 1e-8)
		near(t, c.name+" SD", spread(c.values), c.sd, c.to)
	}
}
