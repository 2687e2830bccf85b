package survey

import (
	"context"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"candlemark/probes"
)

// memory is a store that keeps encoded lines, as a real one would.
type memory struct {
	lines [][]byte
	fail  error
}

func (m *memory) Append(r Record) error {
	if m.fail != nil {
		return m.fail
	}
	line, err := Encode(r)
	m.lines = append(m.lines, line)
	return err
}

func (m *memory) Records() ([]Record, error) {
	var all []Record
	for _, l := range m.lines {
		r, err := Decode(l)
		if err != nil {
			return nil, err
		}
		all = append(all, r)
	}
	return all, nil
}

func TestOrderOfRounds(t *testing.T) {
	letters := func(slots []int) (s string) {
		for _, a := range slots {
			s += Letter(a)
		}
		return s
	}
	two, three := plan(8), plan(4)
	three.Arrangements = []string{"a", "b", "c"}
	runs := plan(4)
	runs.Order = InRuns
	for _, c := range []struct{ got, want string }{
		{letters(two.Slots()), "ABBABAABBAABABBA"},
		{letters(three.Slots()), "ABCCBACBAABC"},
		{letters(runs.Slots()), "AABBBBAA"},
	} {
		if c.got != c.want {
			t.Errorf("%s, want %s", c.got, c.want)
		}
	}
}

// burst and load are probers that take their time, as the real ones do.
type fake func(ctx context.Context) probes.Result

func (f fake) Probe(ctx context.Context) probes.Result { return f(ctx) }

func burst(rtt *atomic.Int64, takes time.Duration) fake {
	return func(ctx context.Context) probes.Result {
		r := probes.Result{Section: probes.Uplink, Kind: probes.Latency, Bytes: 1000}
		if !wait(ctx, takes) {
			r.Err = context.Cause(ctx)
			return r
		}
		r.Latency = &probes.LatencyStats{Sent: 10, Lost: 1, RTTs: make([]time.Duration, 9), RTTKnown: true, Median: time.Duration(rtt.Load()), VariationKnown: true, PDVP95: time.Duration(rtt.Load()) / 10}
		return r
	}
}

func measure(p probes.Prober) []Measure {
	return []Measure{{Prober: p, Section: probes.Uplink, Words: "a fake", MaxBytes: 1000}}
}

func load(takes time.Duration, rtt *atomic.Int64) fake {
	return func(ctx context.Context) probes.Result {
		rtt.Store(int64(200 * time.Millisecond))
		defer func() { rtt.Store(int64(40 * time.Millisecond)) }()
		r := probes.Result{Section: probes.Uplink, Kind: probes.Throughput, Bytes: 5_000_000}
		if !wait(ctx, takes) {
			r.Err = context.Cause(ctx)
			return r
		}
		r.Throughput = &probes.ThroughputStats{DownKnown: true, Down: 20e6, DownBytes: 4_000_000}
		r.Err = errors.New("up: refused")
		return r
	}
}

func TestARoundMeasuresIdleAndBusy(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var rtt atomic.Int64
		rtt.Store(int64(40 * time.Millisecond))
		set := Set{Latency: measure(burst(&rtt, 3*time.Second)), Load: measure(load(10*time.Second, &rtt)), LoadLead: 2 * time.Second}
		figures, bytes := set.measure(t.Context())
		want := map[Question]float64{Latency: 40, Loaded: 200, Variation: 4, Loss: 0.1, Down: 20e6}
		for _, f := range figures {
			if v, known := want[f.Question]; f.Known != known || f.Value != v {
				t.Errorf("%+v, want %v known %v", f, v, known)
			}
			if f.Question == Up && f.Why != "up: refused" {
				t.Errorf("why: %q", f.Why)
			}
		}
		if len(figures) != 6 || bytes != 5_002_000 {
			t.Errorf("%d figures, %d bytes", len(figures), bytes)
		}
	})
}

func TestABurstThatOutlastsTheLoadIsNotBusy(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var rtt atomic.Int64
		rtt.Store(int64(40 * time.Millisecond))
		set := Set{Latency: measure(burst(&rtt, 3*time.Second)), Load: measure(load(4*time.Second, &rtt)), LoadLead: 2 * time.Second}
		figures, _ := set.measure(t.Context())
		i := slices.IndexFunc(figures, func(f Figure) bool { return f.Question == Loaded })
		if i < 0 || figures[i].Known || !strings.Contains(figures[i].Why, "the load was over") {
			t.Errorf("%+v", figures)
		}
	})
}

func TestRunGoesOnWhereItStopped(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store := &memory{}
		s, err := Begin(store, plan(2))
		if err != nil {
			t.Fatal(err)
		}
		if _, err := Begin(store, plan(2)); err == nil {
			t.Error("a name was taken twice")
		}
		var rtt atomic.Int64
		rtt.Store(int64(40 * time.Millisecond))
		set := Set{Latency: measure(burst(&rtt, 3*time.Second))}
		var asked []string
		why := errors.New("operator broke off")
		ask := func(_ context.Context, turn Turn) (Note, error) {
			if len(asked) == 2 {
				asked = append(asked, "stop")
				return Note{}, why
			}
			asked = append(asked, fmt.Sprint(Letter(turn.Arrangement), turn.Change))
			return Note{Place: "stairwell", Changed: "moved \xff"}, nil
		}
		if err := Run(t.Context(), store, s, set, ask, func(Round) {}); !errors.Is(err, why) {
			t.Fatalf("%v", err)
		}
		s, err = Find(store, "stairwell")
		if err != nil || len(s.Rounds) != 2 || s.Rounds[1].Changed != "moved ?" {
			t.Fatalf("%+v, %v", s, err)
		}
		reported := 0
		if err := Run(t.Context(), store, s, set, ask, func(Round) { reported++ }); err != nil || reported != 2 {
			t.Fatalf("%d rounds more, %v", reported, err)
		}
		if want := []string{"Atrue", "Btrue", "stop", "Bfalse", "Atrue"}; !slices.Equal(asked, want) {
			t.Errorf("asked %v, want %v", asked, want)
		}
		s, _ = Find(store, "stairwell")
		if _, left := s.Next(); left || s.Ignored != 0 {
			t.Errorf("%+v", s)
		}
		if s, err = AddRounds(store, s, 4, time.Now()); err != nil || s.Plan.Rounds != 6 || s.Extended != 1 {
			t.Errorf("%+v, %v", s, err)
		}
		store.fail = errors.New("disk full")
		if err := Run(t.Context(), store, s, set, ask, func(Round) {}); !errors.Is(err, store.fail) {
			t.Errorf("a round that was not kept: %v", err)
		}
	})
}

func TestAnInterruptedRoundIsNotKept(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store := &memory{}
		s, err := Begin(store, plan(2))
		if err != nil {
			t.Fatal(err)
		}
		var rtt atomic.Int64
		rtt.Store(int64(40 * time.Millisecond))
		ctx, cancel := context.WithCancel(t.Context())
		time.AfterFunc(time.Second, cancel)
		err = Run(ctx, store, s, Set{Latency: measure(burst(&rtt, 3*time.Second))},
			func(context.Context, Turn) (Note, error) { return Note{}, nil }, func(Round) {})
		if !errors.Is(err, context.Canceled) || len(store.lines) != 1 {
			t.Errorf("%v, %d lines", err, len(store.lines))
		}
	})
}

func TestVerdicts(t *testing.T) {
	jitter := func(slot int) float64 { return []float64{0.3, -0.5, 0.9, -0.2, 0.6, -0.8, 0.1, 0.4}[slot%8] * 1e6 }
	by := func(b float64) func(int, int) float64 {
		return func(slot, a int) float64 { return 20e6 + b*float64(a) + jitter(slot/2) + jitter(3*slot) }
	}
	runs := plan(4)
	runs.Order = InRuns
	latency := plan(8)
	latency.Primary = Latency
	loss := plan(8)
	loss.Primary = Loss
	for name, c := range map[string]struct {
		s    Survey
		word Word
		said string
	}{
		"much faster":                     {made(plan(8), by(10e6)), Better, "+49 %"},
		"much slower":                     {made(plan(8), by(-10e6)), Worse, "-49 %"},
		"more delay is worse":             {made(latency, by(10e6)), Worse, ""},
		"the same":                        {made(plan(8), by(0)), NoDifference, "one that matters, 15 %, is excluded"},
		"a little faster":                 {made(plan(8), by(1.2e6)), NoDifference, "there is a difference"},
		"five pairs, however far apart":   {made(plan(5), by(30e6)), CannotTell, "5 pairs cannot show a difference"},
		"six pairs can":                   {made(plan(6), by(30e6)), Better, ""},
		"three and three in runs":         {made(with(runs, 3), by(30e6)), CannotTell, "3 and 3 rounds cannot"},
		"four and four in runs can":       {made(runs, by(30e6)), Better, ""},
		"a drift in runs":                 {made(with(runs, 8), func(slot, a int) float64 { return 20e6 + 2e6*float64(slot) + jitter(slot) }), CannotTell, "drifted"},
		"the same drift, counterbalanced": {made(plan(8), func(slot, a int) float64 { return 20e6 + 2e6*float64(slot) + jitter(slot) }), NoDifference, ""},
		"no loss in few packets":          {withLoss(made(loss, func(int, int) float64 { return 0 }), 10), CannotTell, "do not exclude a difference of 1 %"},
		"no loss in many packets":         {withLoss(made(loss, func(int, int) float64 { return 0 }), 200), NoDifference, "excluded"},
		"nothing carried by A":            {made(plan(8), func(_, a int) float64 { return float64(a) * 1e6 }), CannotTell, "median of A is 0"},
		"before all rounds are made":      {unfinished(made(plan(8), by(30e6))), CannotTell, "only 15 of the 16 declared rounds"},
		"no round has the figure":         {without(made(plan(8), by(0))), CannotTell, "nothing to compare: refused"},
		"nothing made":                    {Survey{Plan: plan(8)}, CannotTell, "no rounds"},
	} {
		t.Run(name, func(t *testing.T) {
			r := Compare(c.s)
			a := primary(r)
			if a.Verdict != c.word || !strings.Contains(a.Because, c.said) {
				t.Errorf("%s: %s (P %.4f, %.3g to %.3g)", a.Verdict, a.Because, a.P, a.Lower, a.Upper)
			}
			var text strings.Builder
			if err := WriteText(&text, r); err != nil || strings.Contains(text.String(), "NaN") || strings.Contains(text.String(), "%!") {
				t.Errorf("%v\n%s", err, text.String())
			}
			wellFormed(t, r)
		})
	}
}

func with(p Plan, rounds int) Plan { p.Rounds = rounds; return p }

func withLoss(s Survey, packets int64) Survey {
	for i := range s.Rounds {
		s.Rounds[i].Figures[0].Samples = packets
	}
	return s
}

func unfinished(s Survey) Survey { s.Rounds = s.Rounds[:len(s.Rounds)-1]; return s }

func without(s Survey) Survey {
	for i := range s.Rounds {
		s.Rounds[i].Figures = []Figure{{Section: s.Plan.Section, Question: s.Plan.Primary, Why: "refused"}}
	}
	return s
}

func wellFormed(t *testing.T, r Report) {
	t.Helper()
	r.Name, r.Arrangements[0] = `<&"name`, "a < b & c"
	for _, c := range r.Comparisons {
		var svg strings.Builder
		if err := WriteSVG(&svg, r, c); err != nil {
			t.Fatal(err)
		}
		d := xml.NewDecoder(strings.NewReader(svg.String()))
		for {
			if _, err := d.Token(); err == io.EOF {
				break
			} else if err != nil {
				t.Fatalf("the plot is not well formed: %v", err)
			}
		}
		for _, a := range c.Answers {
			if !strings.Contains(svg.String(), strings.ToUpper(string(a.Verdict))) {
				t.Errorf("the plot lacks the verdict %s", a.Verdict)
			}
		}
		if strings.Contains(svg.String(), "NaN") || strings.Contains(svg.String(), "Inf") {
			t.Error("the plot holds what is no number")
		}
	}
}

// Holm (1979): the least of m P values times m, the next times m-1, never falling.
func TestHolm(t *testing.T) {
	all := []Comparison{{Answers: []Answer{
		{Primary: true, Compared: true, P: 0.04},
		{Compared: true, P: 0.01}, {Compared: true, P: 0.04}, {Compared: true, P: 0.03}, {Compared: true, P: 0.005}, {P: 1},
	}}}
	correct(all)
	for i, want := range []float64{0.04, 0.03, 0.06, 0.06, 0.02} {
		near(t, fmt.Sprint("corrected P of ", i), all[0].Answers[i].PCorrected, want, 1e-12)
	}
}

// Ties share their rank: worked by hand. Differences 1, 1, -1, 2 have ranks 2, 2, 2,
// 4; a sum of 8 or more comes in 3 of 16 ways (all: 10; any one 2 negative: 8).
func TestTiesAndZeros(t *testing.T) {
	r := SignedRank([]float64{1, 1, -1, 2})
	near(t, "W", r.Statistic, 8, 0)
	near(t, "one-sided P", r.Upper, 4.0/16, 1e-15)
	if !r.Tied {
		t.Error("ties were not noticed")
	}
	// Pratt: |0| 1 2 3 have ranks 1 to 4, the zero's is left out: 9 is the largest of 8.
	z := SignedRank([]float64{0, 1, 2, 3})
	near(t, "W with a zero", z.Statistic, 9, 0)
	near(t, "P with a zero", z.Upper, 1.0/8, 1e-15)
	near(t, "least P with a zero", z.LeastP, 0.25, 1e-15)
	near(t, "P of nothing but zeros", SignedRank(make([]float64, 9)).P, 1, 0)
	// 1 1 2 against 2 3 3: ranks 1.5 1.5 3.5 | 3.5 5.5 5.5; of 20 sums 2 reach 14.5.
	s := RankSum([]float64{1, 1, 2}, []float64{2, 3, 3})
	near(t, "U", s.Statistic, 8.5, 0)
	near(t, "one-sided P", s.Upper, 2.0/20, 1e-12)
}

func TestTheFirstRoundOfASlotCounts(t *testing.T) {
	p := plan(1)
	round := func(slot, a int, v float64) Record {
		return Record{Round: &Round{Survey: p.Name, Slot: slot, Arrangement: a, Figures: []Figure{{Section: p.Section, Question: Down, Value: v, Known: true}}}}
	}
	all := All([]Record{{Plan: &p}, round(1, 1, 5), round(0, 0, 1), round(0, 0, 9), round(1, 0, 7), round(77, 0, 7)})
	if len(all) != 1 || len(all[0].Rounds) != 2 || all[0].Rounds[0].Figures[0].Value != 1 || all[0].Ignored != 3 {
		t.Errorf("%+v", all)
	}
}

func TestAnExtendedSurveySaysWhatThatCosts(t *testing.T) {
	s := made(plan(8), func(slot, _ int) float64 { return 20e6 })
	s.Extended = 1
	if c := Compare(s).Cautions; len(c) == 0 || !strings.Contains(c[0], "8.3 %") {
		t.Errorf("%v", c)
	}
}

func FuzzDecode(f *testing.F) {
	p := plan(2)
	for _, r := range []Record{
		{Plan: &p}, {Extend: &Extend{Survey: "x", Rounds: 3}},
		{Round: &Round{Survey: "x", Figures: []Figure{{Section: probes.Hop, Question: Loss, Value: 0.5, Known: true, Samples: 10, Lost: 5}}}},
	} {
		line, err := Encode(r)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(line)
	}
	f.Fuzz(func(t *testing.T, line []byte) {
		r, err := Decode(line)
		if err != nil {
			return
		}
		again, err := Encode(r)
		if err != nil {
			t.Fatalf("what was read cannot be written: %v", err)
		}
		if _, err := Decode(again); err != nil {
			t.Fatalf("what was written cannot be read: %v", err)
		}
		for _, s := range All([]Record{{Plan: &p}, r, r}) {
			if len(s.Plan.Slots()) < 300 {
				Compare(s)
			}
		}
	})
}
