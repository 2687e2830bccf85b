package survey

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"candlemark/probes"
)

// Store keeps records, oldest first. Append returns when the record will survive a
// power cut. The package declares what it needs and opens nothing itself.
type Store interface {
	Append(Record) error
	Records() ([]Record, error)
}

// Record is one of a plan, a round, and an extension of a plan.
type Record struct {
	Plan   *Plan   `json:"plan,omitempty"`
	Round  *Round  `json:"round,omitempty"`
	Extend *Extend `json:"extend,omitempty"`
}

// Round is one set of probes of one arrangement.
type Round struct {
	Survey      string    `json:"survey"`
	Slot        int       `json:"slot"` // place in the order, from 0
	Arrangement int       `json:"arrangement"`
	Start       time.Time `json:"start"`
	Seconds     float64   `json:"seconds"`
	Place       string    `json:"place,omitempty"`
	Changed     string    `json:"changed,omitempty"` // what the operator changed before it
	Figures     []Figure  `json:"figures"`
	Bytes       int64     `json:"bytes"`
}

// Extend raises the rounds of each arrangement, after the result was looked at.
type Extend struct {
	Survey string    `json:"survey"`
	Rounds int       `json:"rounds"`
	At     time.Time `json:"at"`
}

// maxFigures is far more than the questions of two sections make.
const maxFigures = 64

// Encode writes a record as one line of JSON, without the line's end.
func Encode(r Record) ([]byte, error) {
	if err := r.check(); err != nil {
		return nil, err
	}
	return json.Marshal(r)
}

// Decode reads what Encode wrote. Whatever the bytes, it returns a sensible record
// or an error.
func Decode(line []byte) (Record, error) {
	var r Record
	d := json.NewDecoder(strings.NewReader(string(line)))
	d.DisallowUnknownFields()
	if err := d.Decode(&r); err != nil {
		return Record{}, fmt.Errorf("survey record: %w", err)
	}
	if d.More() {
		return Record{}, errors.New("survey record: more than one on a line")
	}
	if err := r.check(); err != nil {
		return Record{}, err
	}
	return r, nil
}

func (r Record) check() error {
	switch {
	case r.Plan != nil && r.Round == nil && r.Extend == nil:
		return r.Plan.Check()
	case r.Plan == nil && r.Round != nil && r.Extend == nil:
		return r.Round.check()
	case r.Plan == nil && r.Round == nil && r.Extend != nil:
		if e := r.Extend; e.Survey == "" || e.Rounds < 1 || e.Rounds > MaxRounds {
			return errors.New("survey record: an extension without a name or with impossible rounds")
		}
		return nil
	}
	return errors.New("survey record: neither one plan, one round nor one extension")
}

func (r Round) check() error {
	bad := func(what string) error {
		return fmt.Errorf("survey record: round %d of %q: %s", r.Slot, r.Survey, what)
	}
	switch {
	case r.Survey == "" || len(r.Survey) > maxText:
		return bad("no name, or one too long")
	case r.Slot < 0 || r.Slot >= MaxRounds*MaxArrangements:
		return bad("impossible place in the order")
	case r.Arrangement < 0 || r.Arrangement >= MaxArrangements:
		return bad("impossible arrangement")
	case !(r.Seconds >= 0) || math.IsInf(r.Seconds, 1) || r.Bytes < 0:
		return bad("impossible time or bytes")
	case len(r.Place) > maxText || len(r.Changed) > maxText:
		return bad("a note is too long")
	case len(r.Figures) > maxFigures:
		return bad("too many figures")
	}
	for _, f := range r.Figures {
		switch {
		case f.Section != probes.Hop && f.Section != probes.Uplink:
			return bad("a figure of no section")
		case !slices.Contains(Questions(), f.Question):
			return bad("a figure of no question")
		case !(f.Value >= 0) || math.IsInf(f.Value, 1) || f.Samples < 0 || f.Lost < 0:
			return bad("a figure below 0 or not finite")
		case !f.Known && f.Value != 0:
			return bad("a value that is not known")
		case f.Question == Loss && f.Known && (f.Value > 1 || f.Lost > f.Samples):
			return bad("more lost than sent")
		case len(f.Why) > maxText:
			return bad("a reason is too long")
		}
	}
	return nil
}

// Survey is a plan and what came of it.
type Survey struct {
	Plan     Plan
	Rounds   []Round // by slot, at most one for each
	Extended int     // times that rounds were added
	Ignored  int     // records that do not belong: a slot twice, a wrong arrangement
}

// ErrNotFound is a survey that the store does not hold.
var ErrNotFound = errors.New("no such survey")

// All puts a store's records together, in the order the surveys were begun. Of two
// rounds of one slot the first counts: a repeat must not replace a figure that
// somebody did not like.
func All(records []Record) []Survey {
	var all []Survey
	find := func(name string) *Survey {
		if i := slices.IndexFunc(all, func(s Survey) bool { return s.Plan.Name == name }); i >= 0 {
			return &all[i]
		}
		return nil
	}
	for _, r := range records {
		switch {
		case r.Plan != nil:
			if s := find(r.Plan.Name); s != nil {
				s.Ignored++
				continue
			}
			all = append(all, Survey{Plan: *r.Plan})
		case r.Extend != nil:
			if s := find(r.Extend.Survey); s != nil && s.Plan.Order == Counterbalanced && r.Extend.Rounds > s.Plan.Rounds {
				s.Plan.Rounds = r.Extend.Rounds
				s.Extended++
			} else if s != nil {
				s.Ignored++
			}
		case r.Round != nil:
			if s := find(r.Round.Survey); s != nil {
				s.take(*r.Round)
			}
		}
	}
	for i := range all {
		slices.SortStableFunc(all[i].Rounds, func(a, b Round) int { return a.Slot - b.Slot })
	}
	return all
}

func (s *Survey) take(r Round) {
	slots := s.Plan.Slots()
	if r.Slot >= len(slots) || slots[r.Slot] != r.Arrangement ||
		slices.ContainsFunc(s.Rounds, func(o Round) bool { return o.Slot == r.Slot }) {
		s.Ignored++
		return
	}
	s.Rounds = append(s.Rounds, r)
}

// Find gives one survey of a store.
func Find(store Store, name string) (Survey, error) {
	records, err := store.Records()
	if err != nil {
		return Survey{}, err
	}
	for _, s := range All(records) {
		if s.Plan.Name == name {
			return s, nil
		}
	}
	return Survey{}, fmt.Errorf("survey %s: %w", name, ErrNotFound)
}

// Next is the first slot without a round; ok is false when all were made.
func (s Survey) Next() (slot int, ok bool) {
	made := map[int]bool{}
	for _, r := range s.Rounds {
		made[r.Slot] = true
	}
	for slot := range s.Plan.Slots() {
		if !made[slot] {
			return slot, true
		}
	}
	return 0, false
}
