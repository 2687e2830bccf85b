package survey

import (
	"math"

	"candlemark/probes/distribution"
)

// The chances that rounds are planned for.
const (
	alpha = 0.05 // two-sided
	sure  = 0.80 // to find a difference that is there
	// outside is the share of surveys whose range of further rounds may miss the number.
	outside = 0.20
)

// rankEfficiency is what a rank test needs less of than a t test, as a ratio, when
// the figures are normal: 3/pi (Hodges and Lehmann 1956).
const rankEfficiency = 3 / math.Pi

// leastPairs and leastRounds can reach P < 0.05 two-sided; one fewer cannot.
const (
	leastPairs  = 6 // 2/2^6 = 0.03125
	leastRounds = 4 // 2/C(8,4) = 0.0286, of each of two
)

// roundsFor is how many values of a standard deviation, in units of the difference
// to be found, a test needs at the one-sided alpha, to find it with the chance
// power: (z + z)² sd², then with Student's t until it settles (NIST/SEMATECH
// e-Handbook 7.2.2.2). df gives the degrees of freedom of n.
func roundsFor(sd, oneSided, power float64, df func(n float64) float64) float64 {
	z := distribution.NormalQuantile(1-oneSided) + distribution.NormalQuantile(power)
	n := z * z * sd * sd
	for range 12 {
		nu := max(df(math.Ceil(n)), 1)
		q := distribution.StudentQuantile(1-oneSided, nu) + distribution.StudentQuantile(power, nu)
		next := q * q * sd * sd
		if math.Abs(next-n) < 0.002*n {
			break
		}
		n = (n + next) / 2 // small counts would swing
	}
	return n
}

// Needed is how many rounds of each arrangement settle a question, and how unsure
// that number is.
type Needed struct {
	Rounds    int // of each arrangement, in all
	Low, High int // range, which holds the number in at least four surveys of five
	ForShare  float64
	ToExclude bool // the plan is to exclude a difference that matters, not to show one
}

// needed plans with the scatter seen, to find the difference seen or the one that
// matters, whichever is larger; or, when little was seen, to exclude the one that
// matters. scatter has df degrees of freedom and is that of one paired difference,
// or of one round; have is how many there are of each arrangement.
//
// Half a standard error is added to the difference seen: the surveys that cannot
// tell are those in which it fell low, and a plan on it as it is asks for nearly
// twice the rounds (found by simulation).
func needed(scatter, seen, matters float64, df, have int, paired bool) (n Needed, ok bool) {
	if df < 2 || have < 2 || !(matters > 0) || math.IsNaN(seen) {
		return n, false
	}
	least, arms := float64(leastPairs), 1.0
	dfOf := func(n float64) float64 { return n - 1 }
	if !paired {
		least, arms = leastRounds, 2
		dfOf = func(n float64) float64 { return 2*n - 2 }
	}
	seen = math.Abs(seen)
	power := sure
	if seen < matters/2 {
		// |estimate| + half an interval must stay below; both ends can miss.
		power, n.ToExclude = (1+sure)/2, true
	}
	count := func(scatter, target float64) float64 {
		return min(max(arms*roundsFor(scatter/max(target, matters), alpha/2, power, dfOf)/rankEfficiency, least), 1e6)
	}
	se := scatter * math.Sqrt(arms/float64(have))
	target := seen + se/2
	if n.ToExclude {
		target = matters
	}
	middle := count(scatter, target)
	// The scatter of few values is itself uncertain, by the chi-squared distribution of
	// its square, and so is the difference seen, by its standard error; each end takes both.
	z := distribution.NormalQuantile(1 - outside/2)
	scatterAt := func(p float64) float64 {
		return scatter * math.Sqrt(float64(df)/distribution.ChiSquaredQuantile(p, float64(df)))
	}
	low := math.Hypot(math.Log(middle/count(scatterAt(1-outside/2), target)), math.Log(middle/count(scatter, target+z*se)))
	high := math.Hypot(math.Log(middle/count(scatterAt(outside/2), target)), math.Log(middle/count(scatter, target-z*se)))
	n.Rounds = int(math.Ceil(middle))
	n.Low = int(math.Ceil(max(middle*math.Exp(-low), least)))
	n.High = int(math.Ceil(middle * math.Exp(high)))
	return n, true
}
