package survey

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"candlemark/probes"
)

// Begin declares a plan. It refuses a name that the store holds already.
func Begin(store Store, p Plan) (Survey, error) {
	if err := p.Check(); err != nil {
		return Survey{}, err
	}
	if _, err := Find(store, p.Name); err == nil {
		return Survey{}, fmt.Errorf("survey %s: the name is taken", p.Name)
	} else if !errors.Is(err, ErrNotFound) {
		return Survey{}, err
	}
	if err := store.Append(Record{Plan: &p}); err != nil {
		return Survey{}, fmt.Errorf("survey %s: keep the plan: %w", p.Name, err)
	}
	return Survey{Plan: p}, nil
}

// AddRounds extends a survey by more rounds of each arrangement. Only the
// counterbalanced order can be extended: a run added at the end is no longer in balance.
func AddRounds(store Store, s Survey, more int, at time.Time) (Survey, error) {
	if s.Plan.Order != Counterbalanced {
		return s, fmt.Errorf("survey %s: an order in runs cannot be extended; begin another survey", s.Plan.Name)
	}
	e := Extend{Survey: s.Plan.Name, Rounds: s.Plan.Rounds + more, At: at}
	if more < 1 || e.Rounds > MaxRounds {
		return s, fmt.Errorf("survey %s: %d more rounds are not from 1 to %d", s.Plan.Name, more, MaxRounds-s.Plan.Rounds)
	}
	if err := store.Append(Record{Extend: &e}); err != nil {
		return s, fmt.Errorf("survey %s: keep the extension: %w", s.Plan.Name, err)
	}
	s.Plan.Rounds = e.Rounds
	s.Extended++
	return s, nil
}

// Measure is one probe of a round.
type Measure struct {
	Prober   probes.Prober // brings its section with its results
	Section  probes.Section
	Words    string // what it is, for people; the same from the first round to the last
	MaxBytes int64  // the most that one run may cost
}

// Set are the probes of every round.
type Set struct {
	Latency []Measure // run alone, the link idle, and again under each load
	Load    []Measure // throughput
	// LoadLead is how long a load runs before latency is measured under it; the
	// slow start of TCP must not count as idle or busy.
	LoadLead time.Duration
}

// Words says in words what every round runs.
func (set Set) Words() (words []string) {
	for _, m := range slices.Concat(set.Latency, set.Load) {
		words = append(words, m.Words)
	}
	return words
}

// MaxBytes is the most that a round may cost in one section.
func (set Set) MaxBytes(section probes.Section) (bytes int64) {
	for _, m := range set.Latency {
		if m.Section == section {
			bytes += m.MaxBytes * int64(1+len(set.Load))
		}
	}
	for _, m := range set.Load {
		if m.Section == section {
			bytes += m.MaxBytes
		}
	}
	return bytes
}

// has says what is measured in a section.
func (set Set) has(section probes.Section) (latency, load bool) {
	in := func(m Measure) bool { return m.Section == section }
	return slices.ContainsFunc(set.Latency, in), slices.ContainsFunc(set.Load, in)
}

// Turn is a round about to begin.
type Turn struct {
	Slot, Of    int    // from 0
	Arrangement int    // to be set up now
	Name        string // its name
	Change      bool   // it differs from the round before
}

// Note is what the operator said when the arrangement was ready.
type Note struct{ Place, Changed string }

// Run makes the rounds that are missing. Before each it asks, which may block until
// the operator has changed the arrangement, and after each it reports. A round that
// ctx interrupts is not kept; one whose probes fail is, with the reason. It returns
// nil when all rounds are made.
func Run(ctx context.Context, store Store, s Survey, set Set, ask func(context.Context, Turn) (Note, error), report func(Round)) error {
	slots := s.Plan.Slots()
	for {
		slot, left := s.Next()
		if !left {
			return nil
		}
		a := slots[slot]
		note, err := ask(ctx, Turn{Slot: slot, Of: len(slots), Arrangement: a, Name: s.Plan.Arrangements[a], Change: slot == 0 || slots[slot-1] != a})
		if err != nil {
			return fmt.Errorf("survey %s: round %d: %w", s.Plan.Name, slot+1, err)
		}
		r := Round{Survey: s.Plan.Name, Slot: slot, Arrangement: a, Place: clip(note.Place), Changed: clip(note.Changed), Start: time.Now()}
		r.Figures, r.Bytes = set.measure(ctx)
		r.Seconds = time.Since(r.Start).Seconds()
		if ctx.Err() != nil {
			return fmt.Errorf("survey %s: round %d interrupted: %w", s.Plan.Name, slot+1, context.Cause(ctx))
		}
		if err := store.Append(Record{Round: &r}); err != nil {
			return fmt.Errorf("survey %s: keep round %d: %w", s.Plan.Name, slot+1, err)
		}
		s.Rounds = append(s.Rounds, r)
		report(r)
	}
}

// measure runs the set once, one probe after the other except for latency under load.
func (set Set) measure(ctx context.Context) (all []Figure, bytes int64) {
	for _, p := range set.Latency {
		r := p.Prober.Probe(ctx)
		all, bytes = merge(all, figures(r, false)), bytes+r.Bytes
	}
	for _, p := range set.Load {
		done := make(chan probes.Result, 1)
		busy, cancel := context.WithCancelCause(ctx)
		go func() {
			r := p.Prober.Probe(ctx)
			cancel(errLoadOver)
			done <- r
		}()
		if wait(busy, set.LoadLead) {
			for _, l := range set.Latency {
				r := l.Prober.Probe(busy)
				if busy.Err() != nil { // the load ended before the burst did: partly idle
					r.Latency, r.Err = nil, errLoadOver
				}
				all, bytes = merge(all, figures(r, true)), bytes+r.Bytes
			}
		}
		r := <-done
		all, bytes = merge(all, figures(r, false)), bytes+r.Bytes
	}
	return all, bytes
}

var errLoadOver = errors.New("the load was over before the burst of round trips was")

// wait is false when ctx ended first.
func wait(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return ctx.Err() == nil
	case <-ctx.Done():
		return false
	}
}
