package quality

import (
	"math"
	"slices"
	"time"

	"candlemark/probes"
)

// The defaults of draft-ietf-ippm-responsiveness-09. Those of its stepwise growth
// of connections stand here for comparison: package reflector opens all at once.
const (
	MovingAverageDistance = 4               // MAD, intervals
	IntervalDuration      = 5 * time.Second // ID
	TrimmedMeanShare      = 0.95            // TMP: the worst 5 % are left out, one-sided
	StabilityTolerance    = 0.05            // SDT, of the moving average
	InitialConnections    = 1               // INP
	ConnectionsPerStep    = 1               // INC
	MostConnections       = 16              // MNP
	MostProbesPerSecond   = 100             // MPS
	ProbeCapacityShare    = 0.05            // PTC: the most that probes may take of the capacity
)

// RPM turns a round trip into round trips per minute; ok is false unless it is
// above 0.
func RPM(roundTrip time.Duration) (rpm float64, ok bool) {
	if roundTrip <= 0 {
		return 0, false
	}
	return float64(time.Minute) / float64(roundTrip), true
}

// Band is a word for a responsiveness.
type Band string

const (
	Poor      Band = "poor"
	Fair      Band = "fair"
	Good      Band = "good"
	Excellent Band = "excellent"
)

// BandOf gives the draft's word: poor under 300, fair under 1000, good under 6000.
func BandOf(rpm float64) Band {
	switch {
	case rpm >= 6000:
		return Excellent
	case rpm >= 1000:
		return Good
	case rpm >= 300:
		return Fair
	}
	return Poor
}

// TrimmedMean is the mean without the worst 5 % (rounded down to whole samples);
// ok is false when there are none.
func TrimmedMean(delays []time.Duration) (mean time.Duration, ok bool) {
	if len(delays) == 0 {
		return 0, false
	}
	sorted := slices.Sorted(slices.Values(delays))
	keep := len(sorted) - int(float64(len(sorted))*(1-TrimmedMeanShare)+1e-9) // 1-0.95 is a little under 0.05
	var sum float64
	for _, d := range sorted[:keep] {
		sum += float64(d)
	}
	return time.Duration(math.Round(sum / float64(keep))), true
}

// Responsiveness is a run's figure and its parts, in round trips per minute.
type Responsiveness struct {
	RPM             float64 // mean of Foreign and Loaded: of the two rates, not of the delays
	Foreign, Loaded float64
	Band            Band
	// Percentiles of the delays on load-carrying connections: the trimmed mean hides
	// the slowest 5 %, which is what people in a call notice.
	P50, P90, P95, P99 time.Duration
	Samples            int
}

// Respond computes the draft's figure; ok is false when a part is missing, as all are
// where d is nil. Connections without TLS leave it out of the figure, which is not
// the same as taking 0.
func Respond(d *probes.WorkingDelays) (r Responsiveness, ok bool) {
	if d == nil {
		return r, false
	}
	tcp, okTCP := TrimmedMean(d.TCP)
	http, okHTTP := TrimmedMean(d.HTTP)
	loaded, okLoaded := TrimmedMean(d.Loaded)
	if !okTCP || !okHTTP || !okLoaded {
		return r, false
	}
	foreign := (tcp + http) / 2
	if tls, ok := TrimmedMean(d.TLS); ok {
		foreign = (tcp + tls + http) / 3
	}
	var okForeign bool
	if r.Foreign, okForeign = RPM(foreign); !okForeign {
		return Responsiveness{}, false
	}
	if r.Loaded, ok = RPM(loaded); !ok {
		return Responsiveness{}, false
	}
	r.RPM = (r.Foreign + r.Loaded) / 2
	r.Band = BandOf(r.RPM)
	sorted := slices.Sorted(slices.Values(d.Loaded))
	at := func(percent int) time.Duration { return sorted[(percent*len(sorted)+99)/100-1] }
	r.P50, r.P90, r.P95, r.P99, r.Samples = at(50), at(90), at(95), at(99), len(sorted)
	return r, true
}

func mean(values []float64) float64 {
	var sum float64
	for _, v := range values {
		sum += v
	}
	return sum / float64(len(values))
}
