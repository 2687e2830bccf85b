package latency

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

const ms = time.Millisecond

// burstOf makes outcomes sent a second apart; a negative round trip is a loss.
func burstOf(rttsMS ...float64) []Outcome {
	var all []Outcome
	for i, v := range rttsMS {
		o := Outcome{Sent: time.Duration(i) * time.Second}
		if v >= 0 {
			o.RTT, o.Answered = time.Duration(v*float64(ms)), true
		}
		all = append(all, o)
	}
	return all
}

// The sequence 100, 110, 105, 125, 100 ms and its results are computed by hand
// from the formulas of RFC 3550 section 6.4.1, RFC 3393 and RFC 5481.
func TestDelayVariationOfASequenceComputedByHand(t *testing.T) {
	outcomes := burstOf(100, 110, 105, 125, 100)

	// J += (|D|-J)/16: 10/16; then (5-J)/16, (20-J)/16, (25-J)/16 added in turn;
	// the last is 115475/32768 ms.
	want := []float64{0.625, 0.8984375, 2.09228515625, 115475.0 / 32768}
	got := jitterAfterEach(inOrderOfArrival(outcomes))
	if len(got) != len(want) {
		t.Fatalf("%d jitter values, want %d", len(got), len(want))
	}
	for i := range want {
		if gotMS := got[i] / float64(ms); math.Abs(gotMS-want[i]) > 1e-9 {
			t.Errorf("jitter after arrival %d is %.12f ms, want %.12f (RFC 3550 6.4.1)", i+2, gotMS, want[i])
		}
	}

	if diff := cmp.Diff([]time.Duration{10 * ms, -5 * ms, 20 * ms, -25 * ms}, ipdv(outcomes)); diff != "" {
		t.Errorf("RFC 3393 delay variation (-want +got):\n%s", diff)
	}
	sorted := []time.Duration{100 * ms, 100 * ms, 105 * ms, 110 * ms, 125 * ms}
	if diff := cmp.Diff([]time.Duration{0, 0, 5 * ms, 10 * ms, 25 * ms}, delayAboveLeast(sorted)); diff != "" {
		t.Errorf("RFC 5481 delay variation, sorted (-want +got):\n%s", diff)
	}

	s := Summarize(MethodICMP, outcomes)
	if !s.RTTKnown || !s.VariationKnown || !s.IPDVKnown {
		t.Fatalf("figures unknown: %+v", s)
	}
	for _, c := range []struct {
		what      string
		got, want time.Duration
	}{
		{"minimum", s.Min, 100 * ms},
		{"median", s.Median, 105 * ms},
		{"95th percentile", s.P95, 125 * ms},
		{"jitter", s.Jitter, 3524017 * time.Nanosecond},
		{"mean absolute IPDV", s.IPDVMeanAbs, 15 * ms},
		{"PDV 95th percentile", s.PDVP95, 25 * ms},
	} {
		if c.got != c.want {
			t.Errorf("%s is %v, want %v", c.what, c.got, c.want)
		}
	}
}

// RFC 2330 section 11.3 gives this example: of -2, 7, 7, 4, 18, -5 the 50th
// percentile is 4, the 25th -2, the 100th 18.
func TestPercentileFollowsTheExampleOfRFC2330(t *testing.T) {
	sorted := []time.Duration{-2, 7, 7, 4, 18, -5}
	slices.Sort(sorted)
	for percent, want := range map[int]time.Duration{50: 4, 25: -2, 100: 18} {
		if got := percentile(sorted, percent); got != want {
			t.Errorf("percentile %d is %d, want %d", percent, got, want)
		}
	}
}

// Ranks by arithmetic: the 95th of 20 values is the 19th, of 21 the 20th.
func TestPercentileRank(t *testing.T) {
	for n, want := range map[int]time.Duration{1: 1, 10: 10, 19: 19, 20: 19, 21: 20, 40: 38, 100: 95} {
		var sorted []time.Duration
		for v := range n {
			sorted = append(sorted, time.Duration(v+1))
		}
		if got := percentile(sorted, 95); got != want {
			t.Errorf("95th percentile of 1..%d is %d, want %d", n, got, want)
		}
	}
}

func TestMedianOfAnEvenNumberIsTheMiddleOfTheTwo(t *testing.T) {
	if got := median([]time.Duration{10 * ms, 20 * ms, 40 * ms, 90 * ms}); got != 30*ms {
		t.Errorf("median %v, want 30ms", got)
	}
}

// RFC 2681: a packet without an answer has an undefined round trip, never 0 and
// never the time-out.
func TestLostPacketsHaveNoRoundTrip(t *testing.T) {
	all := Summarize(MethodTCP, burstOf(-1, -1, -1))
	if all.Sent != 3 || all.Lost != 3 || all.RTTKnown || all.VariationKnown || all.IPDVKnown || len(all.RTTs) != 0 {
		t.Errorf("all lost: %+v", all)
	}
	if ratio, ok := all.LossRatio(); !ok || ratio != 1 {
		t.Errorf("loss ratio %v %v, want 1 true", ratio, ok)
	}

	some := Summarize(MethodTCP, burstOf(50, -1, 70, -1))
	if some.Lost != 2 || some.Min != 50*ms || some.Median != 60*ms || some.P95 != 70*ms {
		t.Errorf("two of four lost: %+v", some)
	}
	if diff := cmp.Diff([]time.Duration{50 * ms, 70 * ms}, some.RTTs); diff != "" {
		t.Errorf("round trips (-want +got):\n%s", diff)
	}

	none := Summarize(MethodTCP, nil)
	if _, ok := none.LossRatio(); ok || none.RTTKnown {
		t.Errorf("nothing sent: %+v", none)
	}
}

func TestALostPacketBreaksThePair(t *testing.T) {
	s := Summarize(MethodICMP, burstOf(100, -1, 180))
	if s.IPDVKnown {
		t.Errorf("a pair was formed across a lost packet: %v", s.IPDVMeanAbs)
	}
	if !s.VariationKnown || s.PDVP95 != 80*ms {
		t.Errorf("RFC 5481 variation %v known %v, want 80ms", s.PDVP95, s.VariationKnown)
	}
	// RFC 3550 compares with the last arrival: 80/16 = 5 ms.
	if s.Jitter != 5*ms {
		t.Errorf("jitter %v, want 5ms", s.Jitter)
	}

	one := Summarize(MethodICMP, burstOf(-1, 100, -1))
	if !one.RTTKnown || one.VariationKnown || one.IPDVKnown {
		t.Errorf("one answer: %+v", one)
	}
}

// RFC 3550 takes packets in the order of arrival, RFC 3393 in the order sent.
func TestReorderedAnswers(t *testing.T) {
	outcomes := []Outcome{
		{Sent: 0, RTT: 300 * ms, Answered: true}, // arrives second
		{Sent: 100 * ms, RTT: 100 * ms, Answered: true},
		{Sent: 300 * ms, RTT: 140 * ms, Answered: true},
	}
	if diff := cmp.Diff([]time.Duration{100 * ms, 300 * ms, 140 * ms}, inOrderOfArrival(outcomes)); diff != "" {
		t.Errorf("order of arrival (-want +got):\n%s", diff)
	}
	// |200|/16 = 12.5; then (160-12.5)/16 added: 21.71875 ms.
	s := Summarize(MethodICMP, outcomes)
	if s.Jitter != 21718750*time.Nanosecond {
		t.Errorf("jitter %v, want 21.71875ms", s.Jitter)
	}
	// (|-200| + |40|) / 2 in the order sent.
	if s.IPDVMeanAbs != 120*ms {
		t.Errorf("mean absolute IPDV %v, want 120ms", s.IPDVMeanAbs)
	}
}
