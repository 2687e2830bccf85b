// Package probes holds the types that every measurement of the link produces.
// The subpackages measure: latency (round trips, loss and delay variation),
// throughput (bytes over time to the wide area) and service (whether a named
// service does what people need of it).
//
// A probe knows nothing of alarms, metrics, logs or the agent, never runs by
// itself, is bounded in time and bytes, and never turns "no answer" into a number.
package probes

import (
	"context"
	"errors"
	"time"
)

// Section says which part of the path a target stands for.
type Section string

const (
	// Hop is the near part: the relay, the terminal, whatever is on this side of the sky.
	Hop Section = "hop"
	// Uplink is the far part: the way to the outside world.
	Uplink Section = "uplink"
)

// Kind is what a probe measures.
type Kind string

const (
	Latency    Kind = "latency"
	Throughput Kind = "throughput"
	Service    Kind = "service"
)

// Prober makes one kind of measurement of one target.
type Prober interface {
	// Probe measures once and returns within the bounds the prober was built
	// with, or soon after ctx ends. A failure to measure is reported in
	// Result.Err; losing every packet is a measurement, not a failure.
	Probe(ctx context.Context) Result
}

// ErrNoName is wrapped by Result.Err when the target's name could not be turned
// into an address. Nothing was sent, so no loss can be stated; but seen from this
// side the target does not answer (see Result.Answered).
var ErrNoName = errors.New("name not resolved")

// Result is the outcome of one probe. Exactly one of Latency, Throughput and
// Service is set when Err is nil.
type Result struct {
	Target  string // the target's configured name
	Section Section
	Kind    Kind
	Start   time.Time // keeps its monotonic reading
	Elapsed time.Duration

	Latency    *LatencyStats
	Throughput *ThroughputStats
	Service    *ServiceStats

	// Bytes is what the probe put on and took from the wire, as far as it can
	// tell (payload plus a stated allowance for headers); it counts against the
	// data budget whether or not the probe succeeded.
	Bytes int64
	// Err says why nothing could be measured, or, beside a Throughput that is
	// set, why one of its directions could not; nil otherwise.
	Err error
}

// Answered says whether the target was there, for whoever judges the link up or
// down. It is not known when the probe failed for a reason that says nothing
// about the link: it was interrupted, it was not permitted, or a throughput
// server refused. A name that cannot be resolved counts as no answer, since an
// outage looks just so to a target known by name.
func (r Result) Answered() (answered, known bool) {
	switch {
	case r.Latency != nil && r.Latency.Sent > 0:
		return r.Latency.Lost < r.Latency.Sent, true
	case r.Throughput != nil && (r.Throughput.DownKnown || r.Throughput.UpKnown):
		return true, true
	case r.Service != nil && r.Service.Reached:
		return true, true
	case errors.Is(r.Err, ErrNoName):
		return false, true
	}
	return false, false
}

// LatencyStats describes one burst of round trips. All delays are round trips,
// so the delay variations are those of round trips too, not of one direction.
type LatencyStats struct {
	Method string // "icmp", "tcp_connect" or "stamp": Type-P in the sense of RFC 2330
	Sent   int
	Lost   int // sent and not answered within Timeout
	// Timeout is how long each packet was waited for (RFC 7680 wants it stated).
	Timeout time.Duration
	// LossCause says why, when this side or a router said so ("connect: network
	// is unreachable"); such an attempt counts as sent and lost. Empty when
	// packets simply went unanswered.
	LossCause string

	// RTTs are the answered round trips in the order they were sent. A lost
	// packet has no round trip: it is never 0 and never the time-out.
	RTTs []time.Duration

	// The following are valid only where the matching Known is set.
	Min, Median, P95 time.Duration
	RTTKnown         bool          // at least one answer
	Jitter           time.Duration // RFC 3550 section 6.4.1 running estimate, at the last answer
	PDVP95           time.Duration // RFC 5481: 95th percentile of (round trip minus the least of the burst)
	VariationKnown   bool          // at least two answers
	IPDVMeanAbs      time.Duration // RFC 3393: mean absolute difference of consecutive round trips
	IPDVKnown        bool          // at least two answers to packets sent one after the other

	// Forth and Back are the two directions apart, where the method tells them
	// apart ("stamp"); nil otherwise.
	Forth, Back *Direction
}

// LossRatio is the share of packets lost, 0..1; ok is false when none was sent.
func (s LatencyStats) LossRatio() (ratio float64, ok bool) {
	if s.Sent == 0 {
		return 0, false
	}
	return float64(s.Lost) / float64(s.Sent), true
}

// ThroughputStats is what one bounded transfer carried. A direction that was
// not measured is not known; it is never 0.
type ThroughputStats struct {
	Server             string  // the server measured against, for people
	Down, Up           float64 // bit/s of payload over the measured time
	DownKnown, UpKnown bool
	// What was carried in the measured time, which leaves the ramp-up out: the
	// rate is 8 x bytes / time. Result.Bytes has the whole cost.
	DownBytes, UpBytes int64
	DownTime, UpTime   time.Duration
	IdleRTT            time.Duration // as the far server answered before the transfer
	IdleRTTKnown       bool
	StoppedBy          string // "" (ran its time), "byte_budget", "deadline", "known" (exact enough) or "byte_ceiling" (roughly known)

	// What a probe of the reflector tells besides; nil where it does not.
	DownDetail, UpDetail *Transfer
	Idle                 *LatencyStats // packets sent before the transfer
}

// ServiceStats is whether a named service did what people need of it. That it did
// not is a measurement, not a failure to measure.
type ServiceStats struct {
	Check string // "name", "page" or "port"
	Works bool
	// Problem says what kept it from working: "answered 503", "the page lacks its
	// marker"; empty when it works.
	Problem string
	// Reached says that the far side answered, be it with a refusal or an error
	// page. A service that was not reached says nothing of the link: it may be
	// down itself.
	Reached bool

	// The steps of the way, valid only where the matching Known is set.
	Resolve, Connect, TLS, FirstByte                     time.Duration
	ResolveKnown, ConnectKnown, TLSKnown, FirstByteKnown bool

	Status    int   // of a page; 0 when none came
	BodyBytes int64 // of a page, as far as it was read
}
