package quality

import (
	"fmt"
	"math"
	"time"

	"candlemark/probes"
)

// Figure is a value that may be unknown. Why says why it is.
type Figure struct {
	V     float64
	Known bool
	Why   string
}

// Known makes a figure; what is not a finite number of 0 or more is unknown.
func Known(v float64) Figure {
	if !(v >= 0) || math.IsInf(v, 1) {
		return Figure{Why: "not a sensible number"}
	}
	return Figure{V: v, Known: true}
}

func (f Figure) why() string {
	if f.Why == "" {
		return "not measured"
	}
	return f.Why
}

// Measured is what is known of a link, end to end.
type Measured struct {
	RTTMs       Figure // median, link idle
	LoadedRTTMs Figure // median, link busy
	VariationMs Figure // 95th percentile of the round trip above the least of its burst, idle
	LoadedVarMs Figure // the same, busy
	DownBitS    Figure
	UpBitS      Figure
	Lost, Sent  int // packets, idle; Sent 0 is unknown

	Services []ServiceSeen // what people need by name
}

// ServiceSeen is the newest try of a named service.
type ServiceSeen struct {
	Name   string
	Known  bool
	Works  bool   // valid where Known
	Detail string // why it does not work or is not known, or how long it took
}

// MeasuredFrom takes the figures of probes; any of them may be nil.
func MeasuredFrom(idle, loaded *probes.LatencyStats, carried *probes.ThroughputStats) Measured {
	var m Measured
	m.RTTMs, m.VariationMs = delays(idle)
	m.LoadedRTTMs, m.LoadedVarMs = delays(loaded)
	if idle != nil {
		m.Lost, m.Sent = idle.Lost, idle.Sent
	}
	if carried != nil {
		if carried.DownKnown {
			m.DownBitS = Known(carried.Down)
		}
		if carried.UpKnown {
			m.UpBitS = Known(carried.Up)
		}
	}
	return m
}

func delays(s *probes.LatencyStats) (rtt, variation Figure) {
	switch {
	case s == nil:
		return Figure{}, Figure{}
	case !s.RTTKnown:
		why := fmt.Sprintf("none of %d packets was answered", s.Sent)
		return Figure{Why: why}, Figure{Why: why}
	}
	rtt = Known(Milliseconds(s.Median))
	if !s.VariationKnown {
		return rtt, Figure{Why: "one answer has no variation"}
	}
	return rtt, Known(Milliseconds(s.PDVP95))
}

// Milliseconds of a duration.
func Milliseconds(d time.Duration) float64 { return float64(d) / float64(time.Millisecond) }
