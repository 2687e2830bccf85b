package survey

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"candlemark/probes"
)

// Wanted is what somebody wants of a survey: to begin it, to go on with it, or more
// rounds of it. What is left empty takes the defaults when it begins.
type Wanted struct {
	Name         string
	Arrangements []string // "A: wireless hop", the letter being optional
	Rounds       int      // of each arrangement
	More         int      // rounds to add to each
	Order        Order
	Primary      Question
	Section      probes.Section
	Threshold    float64 // as a share of A's median
	Place        string
}

// AskedError is a wish that cannot be fulfilled as it was put.
type AskedError struct{ Why string }

func (e *AskedError) Error() string { return e.Why }

func asked(format string, args ...any) error { return &AskedError{fmt.Sprintf(format, args...)} }

// Open finds the survey, or declares it, with the probes of set.
func Open(store Store, w Wanted, set Set, now time.Time) (Survey, error) {
	words := set.Words()
	s, err := Find(store, w.Name)
	switch {
	case errors.Is(err, ErrNotFound) && w.More > 0:
		return s, asked("rounds cannot be added: there is no survey %s", w.Name)
	case errors.Is(err, ErrNotFound):
		p, err := w.plan(set, now)
		if err != nil {
			return s, err
		}
		return Begin(store, p)
	case err != nil:
		return s, err
	}
	if !slices.Equal(s.Plan.Probes, words) {
		return s, asked("survey %s was begun with other probes, and rounds of different probes cannot be compared: it has %s; now %s",
			w.Name, strings.Join(s.Plan.Probes, "; "), strings.Join(words, "; "))
	}
	if arrangements, err := withoutLetters(w.Arrangements); err != nil {
		return s, err
	} else if len(arrangements) > 0 && !slices.Equal(arrangements, s.Plan.Arrangements) {
		return s, asked("survey %s was begun with other arrangements; take another name", w.Name)
	}
	if w.More > 0 {
		if slot, left := s.Next(); left {
			return s, fmt.Errorf("survey %s: round %d is still to be made; add rounds when the declared ones are done", w.Name, slot+1)
		}
		return AddRounds(store, s, w.More, now)
	}
	return s, nil
}

// plan fills in what is left empty.
func (w Wanted) plan(set Set, now time.Time) (Plan, error) {
	arrangements, err := withoutLetters(w.Arrangements)
	if err != nil {
		return Plan{}, err
	}
	p := Plan{
		Name: w.Name, Arrangements: arrangements, Rounds: w.Rounds, Order: w.Order, Primary: w.Primary, Section: w.Section,
		Threshold: w.Threshold, LossShare: DefaultLossShare, Place: w.Place, Probes: set.Words(), Made: now,
	}
	if p.Rounds == 0 {
		p.Rounds = DefaultRounds
	}
	if p.Order == "" {
		p.Order = Counterbalanced
	}
	if p.Threshold == 0 {
		p.Threshold = DefaultThreshold
	}
	if p.Section == "" {
		p.Section = probes.Uplink
		if latency, load := set.has(p.Section); !latency && !load {
			p.Section = probes.Hop
		}
	}
	latency, load := set.has(p.Section)
	if p.Primary == "" {
		p.Primary = Latency
		if load {
			p.Primary = Down
		}
	}
	if err := p.Check(); err != nil {
		return p, &AskedError{err.Error()}
	}
	loads := slices.Contains([]Question{Down, Up, Loaded}, p.Primary)
	waits := !slices.Contains([]Question{Down, Up}, p.Primary)
	switch {
	case len(p.Probes) == 0:
		return p, asked("survey %s: nothing is to be measured", p.Name)
	case loads && !load:
		return p, asked("the primary question %s needs a throughput probe of the %s", p.Primary, p.Section)
	case waits && !latency:
		return p, asked("the primary question %s needs a latency probe of the %s", p.Primary, p.Section)
	}
	return p, nil
}

// withoutLetters takes the letters off "A: wireless hop".
func withoutLetters(given []string) ([]string, error) {
	var all []string
	for i, a := range given {
		if letter, rest, ok := strings.Cut(a, ":"); ok && len(letter) == 1 {
			if letter != Letter(i) {
				return nil, asked("arrangement %q: it is number %d, so its letter is %s", a, i+1, Letter(i))
			}
			a = rest
		}
		all = append(all, strings.TrimSpace(a))
	}
	return all, nil
}
