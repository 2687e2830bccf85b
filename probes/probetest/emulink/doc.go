// Package emulink is a link of known rate, delay, jitter and loss, for tests that
// need ground truth.
//
// # Model
//
// Two network namespaces each hold one TUN device; this process carries the IP
// packets between them. Each way has a drop-tail queue of a size in bytes in front
// of a bottleneck that counts IP bytes, then random loss, then delay with jitter
// that never reorders:
//
//	socket -> TUN -> queue (drop-tail) -> rate -> loss -> delay + jitter -> TUN -> socket
//
// The rate may wander: it is drawn anew from a band around its nominal value after
// every hold time. The link keeps counters of its own, by protocol, and of how
// late it was itself.
//
// # Limits
//
// Linux, root, /dev/net/tun; IPv4 only. The process and what it measures share the
// processor: from about 40,000 packets/s on two cores the link is late. Late
// packets are counted, so that a test can tell a wrong measurement from a
// disturbed link (Counters.LateMax, LateOver1ms). The threads that carry packets
// ask for real-time priority and do without where it is refused.
package emulink

import (
	"errors"
	"fmt"
	"math"
	"time"
)

// Way is one direction of a link.
type Way struct {
	RateBitS   float64       // bit/s of IP packets; 0 is unlimited
	Delay      time.Duration // one way, behind the bottleneck
	Jitter     time.Duration // the delay is drawn evenly from Delay ± Jitter every 10 ms
	LossRatio  float64       // of packets past the bottleneck, 0..1
	QueueBytes int           // drop-tail, waiting in front of the bottleneck; needed with a rate

	WanderRatio float64       // the rate is drawn evenly from RateBitS·(1 ± WanderRatio)
	WanderHold  time.Duration // and kept this long
}

// Params describe a link; A and B are its ends.
type Params struct {
	AtoB, BtoA Way
	Seed       uint64 // of losses, jitter and wander
	MTU        int    // 1500 when 0
}

// Symmetric are the parameters of a link that is the same both ways.
func Symmetric(w Way, seed uint64) Params { return Params{AtoB: w, BtoA: w, Seed: seed} }

func (w Way) check() error {
	switch {
	case !(w.RateBitS >= 0) || math.IsInf(w.RateBitS, 1):
		return fmt.Errorf("rate %v bit/s", w.RateBitS)
	case w.RateBitS > 0 && w.QueueBytes <= 0:
		return errors.New("a rate without a queue passes nothing on")
	case w.Delay < 0 || w.Jitter < 0 || w.Jitter > w.Delay:
		return fmt.Errorf("delay %v ± %v", w.Delay, w.Jitter)
	case !(w.LossRatio >= 0 && w.LossRatio <= 1):
		return fmt.Errorf("loss ratio %v", w.LossRatio)
	case !(w.WanderRatio >= 0 && w.WanderRatio < 1) || w.WanderRatio > 0 && w.WanderHold <= 0:
		return fmt.Errorf("wander ± %v every %v", w.WanderRatio, w.WanderHold)
	}
	return nil
}

// Protocol tells apart what a link carried.
type Protocol int

const (
	TCP Protocol = iota
	UDP
	Other
	protocols
)

// Flow counts packets of one protocol one way.
type Flow struct {
	In, Out int64
	Lost    int64 // at random, as LossRatio asks
	Tail    int64 // since the queue was full
	Bytes   int64 // of the packets put out, IP headers included
}

// Counters are one way's own account.
type Counters struct {
	Flow [protocols]Flow

	// Overrun counts packets dropped since this process could not keep up: when it
	// is not 0 the link was not the one asked for.
	Overrun     int64
	LateMax     time.Duration // the latest packet, behind its due time
	LateOver1ms int64
	// CapacityBits is what the bottleneck could have passed since the link was made.
	CapacityBits float64
}

// Bytes is all that was put out.
func (c Counters) Bytes() (n int64) {
	for _, f := range c.Flow {
		n += f.Bytes
	}
	return n
}
