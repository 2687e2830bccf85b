// Package simulated is a link that exists in memory only, for demonstrations and
// for tests of what uses probes. It sends nothing and waits for nothing: a probe
// returns at once and reports in Elapsed how long the real one would have taken.
//
// # Model
//
// A round trip is RTT plus a queueing delay drawn from an exponential distribution
// with the mean Jitter, cut off at ten times that; a delay past the time-out is a
// loss. Packets are lost independently with the probability LossRatio. Throughput
// is the rate set, less up to 5 % at random, until the time or the byte budget is
// used; with Busy set, packets are sent meanwhile, each that much slower. The same seed and the same calls in the same order give the same results.
//
// # Limits
//
// Losses come alone, not in bursts as on a real radio link; packets do not overtake one another's answers
// beyond what their delays make them.
package simulated

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"sync"
	"time"

	"candlemark/probes"
	"candlemark/probes/latency"
)

// Conditions are what a link does to packets, until they are set anew.
type Conditions struct {
	RTT       time.Duration // least round trip
	Jitter    time.Duration // mean queueing delay on top
	LossRatio float64       // 0..1
	DownBitS  float64       // bit/s
	UpBitS    float64       // bit/s
	Busy      time.Duration // queueing delay that a transfer adds; 0 sends no packets meanwhile
	Cut       bool          // nothing gets through
}

func (c Conditions) check() error {
	switch {
	case c.RTT < 0 || c.Jitter < 0 || c.Busy < 0:
		return fmt.Errorf("round trip %v, jitter %v and delay under load %v must not be negative", c.RTT, c.Jitter, c.Busy)
	case !(c.LossRatio >= 0 && c.LossRatio <= 1): // also refuses NaN
		return fmt.Errorf("loss ratio %v is not from 0 to 1", c.LossRatio)
	case !rate(c.DownBitS) || !rate(c.UpBitS):
		return fmt.Errorf("rates %v and %v bit/s must be finite and not negative", c.DownBitS, c.UpBitS)
	}
	return nil
}

func rate(v float64) bool { return v >= 0 && !math.IsInf(v, 1) }

// Link is a simulated link. Its methods, and those of its probers, may be called
// from several goroutines.
type Link struct {
	mu     sync.Mutex
	now    Conditions
	random *rand.Rand
}

// NewLink makes a link whose chances follow from seed.
func NewLink(seed uint64, c Conditions) (*Link, error) {
	l := &Link{random: rand.New(rand.NewPCG(seed, 0))}
	if err := l.Set(c); err != nil {
		return nil, err
	}
	return l, nil
}

// Set changes the conditions from the next packet on; it refuses impossible ones
// and keeps those it has.
func (l *Link) Set(c Conditions) error {
	if err := c.check(); err != nil {
		return fmt.Errorf("simulated link: %w", err)
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.now = c
	return nil
}

// Method is what a simulated burst gives for its method.
const Method = latency.MethodICMP

// Latency is a prober of the link in bursts of latency.DefaultCount packets.
func (l *Link) Latency(name string, section probes.Section) probes.Prober {
	return prober(func(ctx context.Context) probes.Result {
		r := probes.Result{Target: name, Section: section, Kind: probes.Latency, Start: time.Now()}
		if r.Err = interrupted(ctx, "latency", name); r.Err != nil {
			return r
		}
		const timeout, octets = latency.DefaultTimeout, 52
		l.mu.Lock()
		outcomes := l.burst(timeout, 0)
		l.mu.Unlock()
		stats := latency.Summarize(Method, outcomes)
		stats.Timeout = timeout
		last := outcomes[len(outcomes)-1]
		r.Elapsed = last.Sent + timeout
		if last.Answered && stats.Lost == 0 {
			r.Elapsed = last.Sent + last.RTT
		}
		r.Latency, r.Bytes = &stats, int64(octets*(2*stats.Sent-stats.Lost))
		return r
	})
}

// burst draws the fate of packets that queue for so much longer. The caller holds mu.
func (l *Link) burst(timeout, longer time.Duration) []latency.Outcome {
	outcomes := make([]latency.Outcome, latency.DefaultCount)
	for i := range outcomes {
		// Both are drawn for every packet, so that one setting does not shift
		// the chances of another.
		chance, queue := l.random.Float64(), min(l.random.ExpFloat64(), 10)
		o := latency.Outcome{Sent: time.Duration(i) * latency.DefaultInterval}
		rtt := l.now.RTT + longer + time.Duration(queue*float64(l.now.Jitter))
		if !l.now.Cut && chance >= l.now.LossRatio && rtt <= timeout {
			o.RTT, o.Answered = rtt, true
		}
		outcomes[i] = o
	}
	return outcomes
}

// Throughput is a prober that loads each direction for 10 s or half of maxBytes.
func (l *Link) Throughput(name string, section probes.Section, maxBytes int64) probes.Prober {
	return prober(func(ctx context.Context) probes.Result {
		r := probes.Result{Target: name, Section: section, Kind: probes.Throughput, Start: time.Now()}
		if r.Err = interrupted(ctx, "throughput", name); r.Err != nil {
			return r
		}
		l.mu.Lock()
		defer l.mu.Unlock()
		c := l.now
		downBitS, upBitS := c.DownBitS*(1-0.05*l.random.Float64()), c.UpBitS*(1-0.05*l.random.Float64())
		if c.Cut || downBitS == 0 || upBitS == 0 {
			r.Err = fmt.Errorf("throughput %s: the simulated link carries nothing", name)
			return r
		}
		s := probes.ThroughputStats{Server: "simulated", DownKnown: true, UpKnown: true, IdleRTT: c.RTT, IdleRTTKnown: true}
		s.Down, s.DownBytes, s.DownTime = load(downBitS, maxBytes/2, &s)
		s.Up, s.UpBytes, s.UpTime = load(upBitS, maxBytes/2, &s)
		if c.Busy > 0 {
			s.DownDetail, s.UpDetail = l.loaded(s.Down, s.DownBytes, s.DownTime), l.loaded(s.Up, s.UpBytes, s.UpTime)
		}
		r.Throughput, r.Bytes, r.Elapsed = &s, s.DownBytes+s.UpBytes, s.DownTime+s.UpTime
		return r
	})
}

// loaded is a transfer with the packets that were sent meanwhile.
func (l *Link) loaded(bitS float64, bytes int64, took time.Duration) *probes.Transfer {
	stats := latency.Summarize(Method, l.burst(latency.DefaultTimeout, l.now.Busy))
	return &probes.Transfer{BitS: bitS, Bytes: bytes, Time: took, Steady: true, SpentBytes: bytes, Elapsed: took, Loaded: &stats}
}

func load(bitS float64, budget int64, s *probes.ThroughputStats) (float64, int64, time.Duration) {
	const most = 10 * time.Second
	carried := bitS / 8 * most.Seconds()
	if carried <= float64(budget) {
		return bitS, int64(carried), most
	}
	s.StoppedBy = "byte_budget"
	return bitS, budget, time.Duration(8 * float64(budget) / bitS * float64(time.Second))
}

func interrupted(ctx context.Context, kind, name string) error {
	if ctx.Err() == nil {
		return nil
	}
	return fmt.Errorf("%s %s: interrupted: %w", kind, name, context.Cause(ctx))
}

type prober func(context.Context) probes.Result

func (p prober) Probe(ctx context.Context) probes.Result { return p(ctx) }
