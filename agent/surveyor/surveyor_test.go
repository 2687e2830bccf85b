package surveyor

import (
	"context"
	"errors"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"candlemark/agent/journal"
	"candlemark/agent/status"
	"candlemark/probes"
	"candlemark/probes/survey"
)

// memory is a store in memory.
type memory struct {
	mu  sync.Mutex
	all []survey.Record
}

func (m *memory) Append(r survey.Record) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if _, err := survey.Encode(r); err != nil {
		return err
	}
	m.all = append(m.all, r)
	return nil
}

func (m *memory) Records() ([]survey.Record, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return append([]survey.Record(nil), m.all...), nil
}

type prober func(ctx context.Context) probes.Result

func (p prober) Probe(ctx context.Context) probes.Result { return p(ctx) }

// rig is a surveyor with a link that is busy while somebody measures.
type rig struct {
	*Surveyor
	t        *testing.T
	mu       sync.Mutex
	claimed  bool
	refuse   error
	used     []int64
	recorded []string
}

func newRig(t *testing.T, takes time.Duration) *rig {
	r := &rig{t: t}
	burst := func(section probes.Section) survey.Measure {
		return survey.Measure{Section: section, Words: "latency of the " + string(section), MaxBytes: 500, Prober: prober(func(ctx context.Context) probes.Result {
			r.mu.Lock()
			if !r.claimed {
				t.Error("a probe without a claim")
			}
			r.mu.Unlock()
			res := probes.Result{Kind: probes.Latency, Bytes: 100}
			select {
			case <-time.After(takes):
			case <-ctx.Done():
				res.Err = ctx.Err()
				return res
			}
			res.Latency = &probes.LatencyStats{Sent: 10, RTTKnown: true, Median: 40 * time.Millisecond}
			return res
		})}
	}
	r.Surveyor = New(Parts{
		Store: &memory{}, Set: survey.Set{Latency: []survey.Measure{burst(probes.Hop), burst(probes.Uplink)}},
		Claim: func(_ context.Context, bytes int64) (func(int64), error) {
			r.mu.Lock()
			defer r.mu.Unlock()
			if r.refuse != nil {
				return nil, r.refuse
			}
			if bytes != 500 || r.claimed { // the hop's cost nothing of the uplink
				t.Errorf("claimed %d bytes, claimed already %v", bytes, r.claimed)
			}
			r.claimed = true
			return func(used int64) {
				r.mu.Lock()
				defer r.mu.Unlock()
				r.claimed, r.used = false, append(r.used, used)
			}, nil
		},
		Record: func(_ context.Context, text, who string) {
			r.mu.Lock()
			defer r.mu.Unlock()
			r.recorded = append(r.recorded, who+": "+text)
		},
	})
	return r
}

func (r *rig) ask(do Do, changed string) string {
	r.t.Helper()
	words, err := r.Ask(Request{Do: do, Changed: changed, Wanted: survey.Wanted{
		Name: "stairwell", Arrangements: []string{"A: wireless hop", "B: wired hop"}, Rounds: 2, Place: "second floor",
	}}, "ana")
	if err != nil {
		return "refused: " + err.Error()
	}
	return words
}

func (r *rig) want(state status.SurveyState, text string, made int) {
	r.t.Helper()
	synctest.Wait()
	if v := r.Status(); v == nil || v.State != state || !strings.Contains(v.Text, text) || v.Made != made {
		r.t.Errorf("%+v, want %s, %q, %d made", v, state, text, made)
	}
}

func start(t *testing.T, s *Surveyor) (end func()) {
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx) }()
	return func() {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	}
}

func TestASurveyIsGuidedThroughItsRounds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, 3*time.Second)
		defer start(t, r.Surveyor)()
		if r.Status() != nil || !strings.Contains(r.ask(Continue, ""), "no survey is under way") || !strings.Contains(r.ask(Stop, ""), "no survey is under way") {
			t.Error("something is under way before it began")
		}
		if got := r.ask(Begin, ""); got != "survey stairwell: 0 of 4 rounds are made" {
			t.Errorf("%q", got)
		}
		r.want(status.SurveyWaits, "change to A now: wireless hop", 0)
		if got := r.ask(Begin, ""); !strings.Contains(got, "is under way: change to A now") {
			t.Errorf("begun again: %q", got)
		}
		if _, err := r.Ask(Request{Do: Begin, Wanted: survey.Wanted{Name: "cellar"}}, "ana"); err == nil || !strings.Contains(err.Error(), "stop it first") {
			t.Errorf("another: %v", err)
		}
		if got := r.ask(Continue, " moved it "); got != "round 1 of 4 is measured with arrangement A" {
			t.Errorf("%q", got)
		}
		r.want(status.SurveyMeasures, "settle for 10s", 0)
		if got := r.ask(Continue, ""); !strings.Contains(got, "does not wait for a change") {
			t.Errorf("%q", got)
		}
		time.Sleep(DefaultSettle)
		r.want(status.SurveyMeasures, "round 1 of 4 is being measured", 0)
		time.Sleep(6 * time.Second)
		r.want(status.SurveyWaits, "change to B now: wired hop", 1)
		if v := r.Status(); !strings.Contains(v.LastRound, "A  latency 40.0 ms") {
			t.Errorf("the last round: %q", v.LastRound)
		}
		r.ask(Continue, "")
		time.Sleep(DefaultSettle + 6*time.Second)
		r.want(status.SurveyMeasures, "round 3 of 4 is being measured", 2) // A B B A: nothing to change
		time.Sleep(6 * time.Second)
		r.want(status.SurveyWaits, "change to A now", 3)
		r.ask(Continue, "")
		time.Sleep(time.Hour)
		r.want(status.SurveyDone, "all rounds are made", 4)
		records, _ := r.Records()
		sv := survey.All(records)[0]
		if len(sv.Rounds) != 4 || sv.Ignored != 0 || sv.Rounds[0].Changed != "moved it" || sv.Rounds[2].Place != "second floor" || sv.Plan.Primary != survey.Latency || sv.Plan.Section != probes.Uplink {
			t.Errorf("%+v", sv)
		}
		if got := r.ask(Begin, ""); !strings.Contains(got, "all 4 rounds are made") {
			t.Errorf("%q", got)
		}
		for _, used := range r.used {
			if used != 100 {
				t.Errorf("a round used %d bytes of the uplink, want 100", used)
			}
		}
		if len(r.used) != 4 || r.claimed || len(r.recorded) != 2 || r.recorded[1] != "ana: survey stairwell: all rounds are made" {
			t.Errorf("%d rounds, claimed %v, %q", len(r.used), r.claimed, r.recorded)
		}
	})
}

func TestAStoppedSurveyGoesOn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, 3*time.Second)
		defer start(t, r.Surveyor)()
		r.ask(Begin, "")
		synctest.Wait()
		r.ask(Continue, "")
		time.Sleep(DefaultSettle + 7*time.Second)
		r.ask(Continue, "")
		time.Sleep(DefaultSettle + time.Second) // in the second round
		if got := r.ask(Stop, ""); got != "survey stairwell is stopped after 1 of 4 rounds" {
			t.Errorf("%q", got)
		}
		r.want(status.SurveyStopped, "begin it again under its name", 1)
		// What the broken round used is not known: the most it might have is counted.
		if len(r.used) != 2 || r.used[1] != 500 || r.claimed {
			t.Errorf("used %v, claimed %v", r.used, r.claimed)
		}
		r.ask(Begin, "")
		r.want(status.SurveyWaits, "change to B now", 1)
		r.refuse = errors.New("data budget spent")
		r.ask(Continue, "")
		time.Sleep(DefaultSettle + time.Second)
		r.want(status.SurveyStopped, "data budget spent", 1)
		r.refuse = nil
		r.ask(Begin, "")
		synctest.Wait()
		r.ask(Continue, "")
		time.Sleep(time.Hour)
		r.want(status.SurveyWaits, "change to A now", 3)
	})
}

// A button pressed twice, or after the end, must not pass for the next change: a round
// would be measured with the wrong arrangement.
func TestAChangeCountsOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, time.Second)
		defer start(t, r.Surveyor)()
		r.ask(Begin, "")
		synctest.Wait()
		if got := r.ask(Continue, ""); !strings.Contains(got, "round 1 of 4 is measured") {
			t.Error(got)
		}
		if got := r.ask(Continue, ""); !strings.Contains(got, "does not wait for a change") { // before the first was taken in
			t.Errorf("twice: %q", got)
		}
		time.Sleep(time.Hour)
		r.want(status.SurveyWaits, "change to B now", 1)
		r.ask(Stop, "")
		if got := r.ask(Continue, ""); !strings.Contains(got, "does not wait for a change: stopped") {
			t.Errorf("after the end: %q", got)
		}
		synctest.Wait()
		r.ask(Begin, "")
		time.Sleep(time.Hour)
		r.want(status.SurveyWaits, "change to B now", 1)
	})
}

func TestTheAgentsEndStopsASurvey(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, 3*time.Second)
		end := start(t, r.Surveyor)
		r.ask(Begin, "")
		synctest.Wait()
		end()
		r.want(status.SurveyStopped, "context canceled", 0)
	})
}

func TestWhatCannotBeBegun(t *testing.T) {
	r := newRig(t, 0)
	for name, w := range map[string]survey.Wanted{
		"1 arrangements":         {Name: "x", Arrangements: []string{"a"}},
		"needs a throughput":     {Name: "x", Arrangements: []string{"a", "b"}, Primary: survey.Down},
		"there is no survey y":   {Name: "y", More: 3},
		"the name is empty":      {Arrangements: []string{"a", "b"}},
		"so its letter is A":     {Name: "x", Arrangements: []string{"B: a", "A: b"}},
		"is neither \"hop\" nor": {Name: "x", Arrangements: []string{"a", "b"}, Section: "sky"},
	} {
		if _, err := r.Ask(Request{Do: Begin, Wanted: w}, "ana"); err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := r.Ask(Request{Do: "dance"}, "ana"); err == nil || !strings.Contains(err.Error(), "it can: begin, continue, stop") {
		t.Error(err)
	}
}

// Surveys outlive a restart, whatever the record drops meanwhile.
func TestTheJournalKeepsSurveys(t *testing.T) {
	path := filepath.Join(t.TempDir(), "journal.db")
	open := func() *journal.Journal {
		j, err := journal.Open(path, journal.Options{Boot: "b"})
		if err != nil {
			t.Fatal(err)
		}
		return j
	}
	p := survey.Plan{
		Name: "stairwell", Arrangements: []string{"a", "b"}, Rounds: 8, Order: survey.Counterbalanced, Primary: survey.Latency,
		Section: probes.Hop, Threshold: 0.15, LossShare: 0.01, Made: time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC),
	}
	j := open()
	s, err := survey.Begin(NewStore(j, nil), p)
	if err != nil {
		t.Fatal(err)
	}
	for slot, a := range s.Plan.Slots() {
		if slot == 11 { // a restart in mid survey
			if err := j.Close(); err != nil {
				t.Fatal(err)
			}
			j = open()
		}
		if err := NewStore(j, nil).Append(survey.Record{Round: &survey.Round{Survey: p.Name, Slot: slot, Arrangement: a}}); err != nil {
			t.Fatal(err)
		}
	}
	if err := j.PutState("surveyed", 1); err != nil { // another's key
		t.Fatal(err)
	}
	got, err := survey.Find(NewStore(j, nil), p.Name)
	if err != nil || len(got.Rounds) != 16 || got.Ignored != 0 {
		t.Errorf("%d rounds, %d ignored, %v", len(got.Rounds), got.Ignored, err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
}
