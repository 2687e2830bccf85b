package reflector

import (
	"math"
	"time"

	"candlemark/probes/distribution"
)

const (
	slotTime    = 50 * time.Millisecond
	tolerance   = 0.10 // the run stops when its figure is known to this
	near        = 0.9  // of the later rate: there the beginning is over
	leastSlots  = 34   // of steady state
	leastRounds = 10   // round trips under load that the steady state must last

	// A rate that wanders may take long to be known so well. Once a run has spent
	// this share of what a plain one of fixedRun would, a figure known roughly will do;
	// the share leaves room in a quarter for a rate that falls later.
	fixedRun     = 10 * time.Second
	ceilingShare = 0.22
	roughly      = 0.20
)

// steadiness is what the slots of a transfer tell of its rate.
type steadiness struct {
	from     int     // the first slot of the steady state
	mean     float64 // of the slots from there
	half     float64 // half-width of its 95 % interval, as a share of the mean
	settled  bool    // false while the beginning still weighs: the rate was rising
	measured int     // slots
}

// enough says whether the steady state has lasted long enough to believe its interval.
func (s steadiness) enough(rtt time.Duration) bool {
	least := max(leastSlots, int(math.Ceil(leastRounds*rtt.Seconds()/slotTime.Seconds())))
	return s.settled && s.measured >= least
}

// known says whether the mean is known well enough to stop.
func (s steadiness) known(rtt time.Duration) bool { return s.enough(rtt) && s.half <= tolerance }

// dear says whether a run of these slots has cost enough to stop with a rougher figure.
// What is under way when it stops, a round trip's worth, crosses the link all the same.
func (s steadiness) dear(slots []float64, rtt time.Duration) bool {
	spent := s.mean * rtt.Seconds() / slotTime.Seconds()
	for _, v := range slots {
		spent += v
	}
	return s.enough(rtt) && s.half <= roughly && spent >= ceilingShare*s.mean*fixedRun.Seconds()/slotTime.Seconds()
}

// judgeSlots finds where the steady state begins and how well its mean is known.
// ok is false when there are too few slots to say anything.
//
// Slots of one transfer follow one another: a rate that wanders slowly makes them
// worth fewer than their number. The variance of the mean is therefore s²·τ/n with
// the integrated autocorrelation time τ = 1 + 2·Σ(1-k/n)·ρ(k), summed while pairs
// of neighbouring ρ are positive (Geyer 1992), and the interval Student's with n/τ - 1
// degrees of freedom.
func judgeSlots(slots []float64) (s steadiness, ok bool) {
	n := len(slots)
	if n < 12 {
		return s, false
	}
	s.from = truncation(slots)
	s.settled = s.from < n/2
	rest := slots[s.from:]
	s.measured = len(rest)
	m := float64(len(rest))
	for _, v := range rest {
		s.mean += v / m
	}
	if !(s.mean > 0) {
		return s, false
	}
	gamma := autocovariance(rest, s.mean)
	if gamma[0] == 0 {
		return s, true
	}
	tau := 1.0
	for k := 1; k+1 < len(gamma); k += 2 {
		if gamma[k]+gamma[k+1] <= 0 {
			if gamma[k] > 0 {
				tau += 2 * (1 - float64(k)/m) * gamma[k] / gamma[0]
			}
			break
		}
		tau += 2 * ((1-float64(k)/m)*gamma[k] + (1-float64(k+1)/m)*gamma[k+1]) / gamma[0]
	}
	freedom := max(m/tau-1, 1)
	variance := gamma[0] * m / (m - 1) * tau / m
	s.half = distribution.StudentQuantile(0.975, freedom) * math.Sqrt(variance) / s.mean
	return s, true
}

// truncation is the number of slots to cut from the beginning: those before the
// rate first came near what it was in the second half.
func truncation(slots []float64) int {
	n := len(slots)
	var later float64
	for _, v := range slots[n/2:] {
		later += v / float64(n-n/2)
	}
	for d, v := range slots[:n/2] {
		if v >= near*later {
			return d
		}
	}
	return n / 2
}

// autocovariance is that of lags 0 to a half of the number of values.
func autocovariance(values []float64, mean float64) []float64 {
	n := len(values)
	gamma := make([]float64, n/2+1)
	for k := range gamma {
		for i := k; i < n; i++ {
			gamma[k] += (values[i] - mean) * (values[i-k] - mean)
		}
		gamma[k] /= float64(n)
	}
	return gamma
}
