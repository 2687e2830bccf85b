// Package surveyor makes surveys inside the running agent, so that their rounds do
// not meet its own probes, and keeps them in the journal.
//
// # Model
//
// One survey runs at a time. Before each round that needs another arrangement it
// waits for somebody to say that the arrangement stands, however long that takes; the
// agent goes on probing meanwhile. Then it waits for the link to settle, claims it from
// the agent's schedule, makes the round and frees it. What a round takes of the uplink
// counts against the data budget; where that does not hold a round, the survey
// stops and says so.
//
// Of each section the first target and the first transfer of the configuration are
// measured, as the configuration says, the same in every round.
//
// # Limits
//
// A survey that was stopped, or that the agent's end stopped, goes on when it is begun
// again under its name: the rounds that were made are kept. Of a round that was broken off
// the most it might have used is counted.
package surveyor

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"candlemark/agent/status"
	"candlemark/probes"
	"candlemark/probes/survey"
)

// Do is what somebody wants of the surveyor.
type Do string

const (
	Begin    Do = "begin"    // or go on with a survey that was stopped
	Continue Do = "continue" // the arrangement asked for stands
	Stop     Do = "stop"     // to go on another time
)

// DefaultSettle is how long the link is left alone after a change.
const DefaultSettle = 10 * time.Second

// Request is somebody's wish.
type Request struct {
	Do      Do
	Wanted  survey.Wanted // of Begin
	Settle  time.Duration // of Begin; 0 is DefaultSettle
	Changed string        // of Continue: what was changed
}

// Parts is what a surveyor works with.
type Parts struct {
	Store survey.Store
	Set   survey.Set
	// Claim waits for the link to be free and keeps it so until release is called with
	// what was used of the uplink, of bytes at the most.
	Claim func(ctx context.Context, bytes int64) (release func(used int64), err error)
	// Record puts words on record; nil does not.
	Record func(ctx context.Context, text, who string)
}

// Surveyor makes surveys. Its methods may be called from many goroutines.
type Surveyor struct {
	parts Parts
	jobs  chan job
	ready chan survey.Note // that the arrangement stands

	mu    sync.Mutex
	state *status.Survey // nil before the first
	place string
	stop  context.CancelCauseFunc // of the survey under way; nil without one
}

type job struct {
	ctx    context.Context // ends with Stop
	survey survey.Survey
	settle time.Duration
	who    string
}

// New makes a surveyor that does nothing until Run.
func New(p Parts) *Surveyor {
	return &Surveyor{parts: p, jobs: make(chan job, 1), ready: make(chan survey.Note, 1)}
}

var (
	errStopped = errors.New("stopped; begin it again under its name to go on")
	errIdle    = errors.New("no survey is under way; begin one with candlemark survey start")
)

// Ask takes a wish and returns in words what follows.
func (s *Surveyor) Ask(r Request, who string) (string, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	switch r.Do {
	case Begin:
		return s.begin(r, who)
	case Continue:
		if s.stop == nil {
			return "", errIdle
		}
		if s.state.State != status.SurveyWaits {
			return "", fmt.Errorf("survey %s does not wait for a change: %s", s.state.Name, s.state.Text)
		}
		// No longer waiting from here on: said twice, it must not count for the next change.
		s.state.State, s.state.Text = status.SurveyMeasures, "it lets the link settle"
		s.ready <- survey.Note{Place: s.place, Changed: strings.TrimSpace(r.Changed)} // has room: nobody waited before
		return fmt.Sprintf("round %d of %d is measured with arrangement %s", s.state.Round, s.state.Of, s.state.Arrangement), nil
	case Stop:
		if s.stop == nil {
			return "", errIdle
		}
		s.stop(errStopped)
		s.state.State, s.state.Text = status.SurveyStopped, errStopped.Error() // it takes no change from here on
		return fmt.Sprintf("survey %s is stopped after %d of %d rounds", s.state.Name, s.state.Made, s.state.Of), nil
	}
	return "", fmt.Errorf("%q is nothing a survey can do; it can: %s, %s, %s", r.Do, Begin, Continue, Stop)
}

func (s *Surveyor) begin(r Request, who string) (string, error) {
	if s.stop != nil && s.state.Name == r.Wanted.Name {
		return "survey " + s.state.Name + " is under way: " + s.state.Text, nil
	}
	if s.stop != nil {
		return "", fmt.Errorf("survey %s is under way; stop it first", s.state.Name)
	}
	sv, err := survey.Open(s.parts.Store, r.Wanted, s.parts.Set, time.Now())
	if err != nil {
		return "", err
	}
	if _, left := sv.Next(); !left {
		return "", fmt.Errorf("survey %s: all %d rounds are made; compare it, or add rounds", sv.Plan.Name, len(sv.Plan.Slots()))
	}
	settle := r.Settle
	if settle == 0 {
		settle = DefaultSettle
	}
	ctx, stop := context.WithCancelCause(context.Background())
	s.stop, s.place = stop, sv.Plan.Place
	if r.Wanted.Place != "" {
		s.place = r.Wanted.Place
	}
	s.state = &status.Survey{Name: sv.Plan.Name, State: status.SurveyBegins, Of: len(sv.Plan.Slots()), Made: len(sv.Rounds), Text: "it begins"}
	s.jobs <- job{ctx, sv, settle, who} // has room: there is no other
	return fmt.Sprintf("survey %s: %d of %d rounds are made", sv.Plan.Name, len(sv.Rounds), len(sv.Plan.Slots())), nil
}

// Status is the survey under way, or how the last one ended; nil before the first.
func (s *Surveyor) Status() *status.Survey {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.state == nil {
		return nil
	}
	state := *s.state
	return &state
}

// Records are all surveys that are kept.
func (s *Surveyor) Records() ([]survey.Record, error) { return s.parts.Store.Records() }

// Run makes what is asked for until ctx ends.
func (s *Surveyor) Run(ctx context.Context) error {
	for {
		select {
		case <-ctx.Done():
			return nil
		case j := <-s.jobs:
			s.make(ctx, j)
		}
	}
}

// make makes the rounds of one survey.
func (s *Surveyor) make(ctx context.Context, j job) {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	defer context.AfterFunc(j.ctx, func() { cancel(context.Cause(j.ctx)) })()
	select {
	case <-s.ready: // left over from a survey that was stopped
	default:
	}
	s.record(ctx, j, fmt.Sprintf("survey %s: begun, %d of %d rounds made", j.survey.Plan.Name, len(j.survey.Rounds), len(j.survey.Plan.Slots())))
	most := s.parts.Set.MaxBytes(probes.Uplink)
	var used atomic.Int64
	var release func(int64)
	ask := func(ctx context.Context, t survey.Turn) (survey.Note, error) {
		note, err := s.await(ctx, j, t)
		if err != nil {
			return note, err
		}
		s.set(func(v *status.Survey) { v.State, v.Text = status.SurveyMeasures, "it waits for the link to be free" })
		if release, err = s.parts.Claim(ctx, most); err != nil {
			return note, err
		}
		used.Store(0)
		s.set(func(v *status.Survey) { v.Text = fmt.Sprintf("round %d of %d is being measured", v.Round, v.Of) })
		return note, nil
	}
	report := func(r survey.Round) {
		release(used.Load())
		release = nil
		s.set(func(v *status.Survey) { v.Made, v.LastRound = v.Made+1, Line(j.survey.Plan, r) })
	}
	err := survey.Run(ctx, s.parts.Store, j.survey, counted(s.parts.Set, &used), ask, report)
	if release != nil {
		release(most)
	}
	s.finish(err)
	s.record(context.WithoutCancel(ctx), j, "survey "+j.survey.Plan.Name+": "+s.Status().Text)
}

// await waits until the arrangement stands and the link has settled.
func (s *Surveyor) await(ctx context.Context, j job, t survey.Turn) (note survey.Note, err error) {
	s.set(func(v *status.Survey) {
		v.Round, v.Of = t.Slot+1, t.Of
		v.Arrangement, v.ArrangementName = survey.Letter(t.Arrangement), t.Name
	})
	if !t.Change {
		s.mu.Lock()
		defer s.mu.Unlock()
		return survey.Note{Place: s.place}, nil
	}
	s.set(func(v *status.Survey) {
		v.State, v.Text = status.SurveyWaits, fmt.Sprintf("change to %s now: %s", v.Arrangement, v.ArrangementName)
	})
	select {
	case note = <-s.ready:
	case <-ctx.Done():
		return note, context.Cause(ctx)
	}
	s.set(func(v *status.Survey) {
		v.State, v.Text = status.SurveyMeasures, fmt.Sprintf("it lets the link settle for %s", j.settle)
	})
	timer := time.NewTimer(j.settle)
	defer timer.Stop()
	select {
	case <-timer.C:
		return note, nil
	case <-ctx.Done():
		return note, context.Cause(ctx)
	}
}

func (s *Surveyor) finish(err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.stop(nil)
	s.stop = nil
	s.state.State, s.state.Text = status.SurveyDone, "all rounds are made"
	if err != nil {
		// Whoever shows it says which survey it is.
		s.state.State, s.state.Text = status.SurveyStopped, strings.TrimPrefix(err.Error(), "survey "+s.state.Name+": ")
	}
}

func (s *Surveyor) set(change func(*status.Survey)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	change(s.state)
}

func (s *Surveyor) record(ctx context.Context, j job, text string) {
	if s.parts.Record != nil {
		s.parts.Record(ctx, text, j.who)
	}
}

// Line is what a round measured, on one line.
func Line(p survey.Plan, r survey.Round) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s  %s", r.Start.Local().Format("15:04:05"), survey.Letter(r.Arrangement))
	for _, f := range r.Figures {
		if f.Section == p.Section {
			fmt.Fprintf(&b, "  %s %s", f.Question, f)
		}
	}
	return b.String()
}

// counted is the set with what it uses of the uplink added up.
func counted(set survey.Set, used *atomic.Int64) survey.Set {
	wrap := func(all []survey.Measure) []survey.Measure {
		out := make([]survey.Measure, len(all))
		for i, m := range all {
			m.Prober = counter{m, used}
			out[i] = m
		}
		return out
	}
	set.Latency, set.Load = wrap(set.Latency), wrap(set.Load)
	return set
}

// counter is a measure whose data are counted. The section is the configuration's.
type counter struct {
	survey.Measure
	used *atomic.Int64
}

func (c counter) Probe(ctx context.Context) probes.Result {
	r := c.Prober.Probe(ctx)
	r.Section = c.Section
	if c.Section == probes.Uplink {
		c.used.Add(r.Bytes)
	}
	return r
}
