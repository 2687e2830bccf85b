package simulated

import (
	"context"
	"errors"
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"candlemark/probes"
)

const ms = time.Millisecond

var fair = Conditions{RTT: 40 * ms, Jitter: 5 * ms, LossRatio: 0.1, DownBitS: 50e6, UpBitS: 10e6}

func link(t *testing.T, seed uint64, c Conditions) *Link {
	t.Helper()
	l, err := NewLink(seed, c)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func TestSameSeedSameResults(t *testing.T) {
	run := func(seed uint64) []probes.Result {
		l := link(t, seed, fair)
		a, b := l.Latency("terminal", probes.Hop), l.Throughput("sky", probes.Uplink, 20_000_000)
		return []probes.Result{a.Probe(t.Context()), b.Probe(t.Context()), a.Probe(t.Context())}
	}
	clock := cmpopts.IgnoreFields(probes.Result{}, "Start")
	if diff := cmp.Diff(run(7), run(7), clock); diff != "" {
		t.Errorf("two runs of one seed differ:\n%s", diff)
	}
	if cmp.Diff(run(7), run(8), clock) == "" {
		t.Error("two seeds give the same results")
	}
}

// Over 2000 bursts the shares come near what was set: the standard error of the
// loss ratio is sqrt(0.1 x 0.9 / 20000) = 0.0021, of the mean delay 5 ms /
// sqrt(18000) = 0.04 ms; five of each are allowed.
func TestConditionsComeOutOfTheFigures(t *testing.T) {
	l := link(t, 1, fair)
	p := l.Latency("sky", probes.Uplink)
	var sent, lost int
	var sum time.Duration
	least := time.Hour
	for range 2000 {
		r := p.Probe(t.Context())
		if r.Err != nil || r.Section != probes.Uplink || r.Kind != probes.Latency || r.Target != "sky" {
			t.Fatalf("result %+v", r)
		}
		sent, lost = sent+r.Latency.Sent, lost+r.Latency.Lost
		for _, rtt := range r.Latency.RTTs {
			sum += rtt
			least = min(least, rtt)
		}
	}
	if ratio := float64(lost) / float64(sent); math.Abs(ratio-0.1) > 0.0105 {
		t.Errorf("loss ratio %.4f, want 0.1", ratio)
	}
	if mean := sum / time.Duration(sent-lost); (mean - 45*ms).Abs() > 200*time.Microsecond {
		t.Errorf("mean round trip %v, want 45ms", mean)
	}
	if least < 40*ms || least > 40*ms+100*time.Microsecond {
		t.Errorf("least round trip %v, want just above 40ms", least)
	}
}

func TestConditionsCanBeSetWhileInUse(t *testing.T) {
	set := Conditions{RTT: 30 * ms, DownBitS: 8e6, UpBitS: 8e6}
	l := link(t, 1, set)
	lat, thr := l.Latency("sky", probes.Uplink), l.Throughput("sky", probes.Uplink, 1_000_000)
	if r := lat.Probe(t.Context()); r.Latency.Lost != 0 || r.Latency.Min != 30*ms || r.Latency.Jitter != 0 {
		t.Errorf("stats %+v", *r.Latency)
	}
	r := thr.Probe(t.Context())
	if r.Err != nil || r.Bytes != 1_000_000 || r.Throughput.StoppedBy != "byte_budget" || r.Throughput.Down < 7.6e6 || r.Throughput.Down > 8e6 {
		t.Errorf("error %v, stats %+v", r.Err, r.Throughput)
	}

	cut := set
	cut.Cut = true
	if err := l.Set(cut); err != nil {
		t.Fatal(err)
	}
	if r := lat.Probe(t.Context()); r.Latency.Lost != r.Latency.Sent || r.Latency.RTTKnown {
		t.Errorf("cut link: %+v", *r.Latency)
	}
	if r := thr.Probe(t.Context()); r.Err == nil || r.Throughput != nil {
		t.Errorf("cut link: error %v, stats %+v", r.Err, r.Throughput)
	}
}

func TestDelayPastTheTimeoutIsALoss(t *testing.T) {
	l := link(t, 1, Conditions{RTT: time.Second})
	if r := l.Latency("sky", probes.Uplink).Probe(t.Context()); r.Latency.Lost != r.Latency.Sent {
		t.Errorf("stats %+v", *r.Latency)
	}
}

func TestInterruptedProbeMeasuresNothing(t *testing.T) {
	l := link(t, 1, fair)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	for _, p := range []probes.Prober{l.Latency("a", probes.Hop), l.Throughput("b", probes.Hop, 1e6)} {
		if r := p.Probe(ctx); !errors.Is(r.Err, context.Canceled) || r.Latency != nil || r.Throughput != nil || r.Bytes != 0 {
			t.Errorf("result %+v", r)
		}
	}
}

func TestImpossibleConditionsAreRefused(t *testing.T) {
	l := link(t, 1, fair)
	for name, c := range map[string]Conditions{
		"negative round trip": {RTT: -1},
		"loss above one":      {LossRatio: 1.1},
		"loss not a number":   {LossRatio: math.NaN()},
		"rate not a number":   {DownBitS: math.NaN()},
		"endless rate":        {UpBitS: math.Inf(1)},
	} {
		if err := l.Set(c); err == nil {
			t.Errorf("%s: accepted", name)
		}
		if _, err := NewLink(1, c); err == nil {
			t.Errorf("%s: accepted by NewLink", name)
		}
	}
	if l.now != fair {
		t.Errorf("conditions changed to %+v", l.now)
	}
}

func TestATransferDelaysThePacketsSentMeanwhile(t *testing.T) {
	l, err := NewLink(1, Conditions{RTT: 40 * time.Millisecond, DownBitS: 90e6, UpBitS: 12e6, Busy: 25 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	r := l.Throughput("wide", probes.Uplink, 20e6).Probe(t.Context()).Throughput
	for way, d := range map[string]*probes.Transfer{"down": r.DownDetail, "up": r.UpDetail} {
		if d == nil || d.Loaded == nil || d.Loaded.Median != 65*time.Millisecond || d.Loaded.Sent == 0 || d.SpentBytes != 10e6 {
			t.Errorf("%s: %+v, want packets with a round trip of 40 + 25 ms", way, d)
		}
	}
	if err := l.Set(Conditions{DownBitS: 1e6, UpBitS: 1e6, Busy: -1}); err == nil {
		t.Error("a negative delay is taken")
	}
}
