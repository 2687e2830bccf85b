package survey

import (
	"cmp"
	"math"
	"slices"

	"candlemark/probes/distribution"
)

// exactPairs and exactRounds are the sizes up to which distributions are counted
// exactly; past them the normal approximation is closer than the figures deserve.
const (
	exactPairs  = 100
	exactRounds = 50
)

// Test is the outcome of a two-sided test.
type Test struct {
	Name      string  // "signed rank" or "rank sum"
	Statistic float64 // W of the positive differences, or U of the second sample
	P         float64
	Upper     float64 // one-sided: chance of a statistic as large or larger
	LeastP    float64 // the least P that this many values can reach
	Exact     bool
	Tied      bool // ranks were shared
}

// midranks gives twice the rank of every value, so that shared ranks stay whole
// numbers, and whether any were shared.
func midranks(values []float64) (twice []int, tied bool) {
	order := make([]int, len(values))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int { return cmp.Compare(values[a], values[b]) })
	twice = make([]int, len(values))
	for i := 0; i < len(order); {
		j := i + 1
		for j < len(order) && values[order[j]] == values[order[i]] {
			j++
		}
		for _, at := range order[i:j] {
			twice[at] = i + 1 + j // the mean of ranks i+1 to j, twice
		}
		tied = tied || j > i+1
		i = j
	}
	return twice, tied
}

// signedSums is the distribution of the sum of those weights whose coin falls on
// heads: index s has the chance of the sum s.
func signedSums(weights []int) []float64 {
	chance := []float64{1}
	for _, w := range weights {
		next := make([]float64, len(chance)+w)
		for s, c := range chance {
			next[s] += c / 2
			next[s+w] += c / 2
		}
		chance = next
	}
	return chance
}

// subsetSums is the distribution of the sum of m weights drawn without replacement.
func subsetSums(weights []int, m int) []float64 {
	total := 0
	for _, w := range weights {
		total += w
	}
	// ways[k][s] is the share of k-subsets of the weights so far; the drawing is kept
	// in chances, not counts, which would overflow.
	ways := make([][]float64, m+1)
	for k := range ways {
		ways[k] = make([]float64, total+1)
	}
	ways[0][0] = 1
	for i, w := range weights {
		for k := min(i+1, m); k >= 0; k-- {
			// A k-subset of i+1 things holds the new one with chance k/(i+1).
			p := float64(k) / float64(i+1)
			for s := total; s >= 0; s-- {
				v := 0.0
				if k <= i {
					v = (1 - p) * ways[k][s]
				}
				if k > 0 && s >= w {
					v += p * ways[k-1][s-w]
				}
				ways[k][s] = v
			}
		}
	}
	return ways[m]
}

// tails gives the chances of a sum of at least and at most the observed one.
func tails(chance []float64, observed int) (upper, lower float64) {
	for s, c := range chance {
		if s >= observed {
			upper += c
		}
		if s <= observed {
			lower += c
		}
	}
	return min(upper, 1), min(lower, 1)
}

func twoSided(upper, lower float64) float64 { return min(1, 2*min(upper, lower)) }

// SignedRank is Wilcoxon's test that paired differences lie around 0. Differences
// of 0 are ranked with the others and then left out (Pratt 1959).
func SignedRank(differences []float64) Test {
	size := make([]float64, len(differences))
	for i, d := range differences {
		size[i] = math.Abs(d)
	}
	twice, tied := midranks(size)
	var weights []int
	observed := 0
	for i, d := range differences {
		if d == 0 {
			continue
		}
		weights = append(weights, twice[i])
		if d > 0 {
			observed += twice[i]
		}
	}
	t := Test{Name: "signed rank", Statistic: float64(observed) / 2, Tied: tied, P: 1, Upper: 1, LeastP: 1}
	if len(weights) == 0 {
		return t
	}
	t.LeastP = math.Ldexp(1, 1-len(weights))
	if len(weights) <= exactPairs {
		upper, lower := tails(signedSums(weights), observed)
		t.Exact, t.Upper, t.P = true, upper, twoSided(upper, lower)
		return t
	}
	var mean, variance float64
	for _, w := range weights {
		mean += float64(w) / 4
		variance += float64(w*w) / 16
	}
	t.Upper, t.P = normalTails(t.Statistic, mean, variance)
	return t
}

// RankSum is the test of Wilcoxon, Mann and Whitney that two samples lie alike.
// The statistic is U of the second: how often one of its values exceeds one of the first.
func RankSum(first, second []float64) Test {
	m := len(second)
	t := Test{Name: "rank sum", P: 1, Upper: 1, LeastP: 1}
	if m == 0 || len(first) == 0 {
		return t
	}
	twice, tied := midranks(slices.Concat(second, first))
	observed := 0
	for _, w := range twice[:m] {
		observed += w
	}
	n := len(first)
	t.Tied = tied
	t.Statistic = float64(observed)/2 - float64(m*(m+1))/2
	t.LeastP = min(1, 2/choose(n+m, m))
	if n <= exactRounds && m <= exactRounds {
		upper, lower := tails(subsetSums(twice, m), observed)
		t.Exact, t.Upper, t.P = true, upper, twoSided(upper, lower)
		return t
	}
	N := float64(n + m)
	var squares float64 // of the ranks, which ties make smaller
	for _, w := range twice {
		squares += float64(w*w) / 4
	}
	variance := float64(n) * float64(m) / (N * (N - 1)) * (squares - N*(N+1)*(N+1)/4)
	t.Upper, t.P = normalTails(t.Statistic, float64(n)*float64(m)/2, variance)
	return t
}

// normalTails approximates with continuity correction.
func normalTails(statistic, mean, variance float64) (upper, p float64) {
	if variance <= 0 {
		return 1, 1
	}
	sd := math.Sqrt(variance)
	upper = distribution.NormalCDF(-(statistic - mean - 0.5) / sd)
	lower := distribution.NormalCDF((statistic - mean + 0.5) / sd)
	return upper, twoSided(upper, lower)
}

func choose(n, k int) float64 {
	c := 1.0
	for i := range k {
		c = c * float64(n-i) / float64(i+1)
	}
	return math.Round(c)
}
