package surveyor

import (
	"fmt"
	"sync"

	"candlemark/probes/survey"
)

// Journal is the agent's journal as the store needs it.
type Journal interface {
	States(prefix string, each func(key string, data []byte) error) error
	PutState(key string, v any) error
	Flush() error
}

// prefix begins the journal's keys of what is kept of surveys.
const prefix = "survey/"

// Store keeps surveys in the journal: one state for each record, numbered in their
// order. It is a survey.Store.
type Store struct {
	journal Journal

	mu     sync.Mutex
	loaded bool
	next   int
}

// NewStore returns the store of a journal.
func NewStore(j Journal) *Store { return &Store{journal: j} }

// raw is a record as survey.Encode writes it.
type raw []byte

func (r raw) MarshalJSON() ([]byte, error) { return r, nil }

// Append implements survey.Store.
func (s *Store) Append(r survey.Record) error {
	line, err := survey.Encode(r)
	if err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.loaded {
		err := s.journal.States(prefix, func(key string, _ []byte) error {
			var n int
			if _, err := fmt.Sscanf(key, prefix+"%d", &n); err != nil {
				return fmt.Errorf("is no number: %w", err)
			}
			s.next = max(s.next, n+1)
			return nil
		})
		if err != nil {
			return err
		}
		s.loaded = true
	}
	if err := s.journal.PutState(fmt.Sprintf("%s%09d", prefix, s.next), raw(line)); err != nil {
		return err
	}
	s.next++
	return s.journal.Flush()
}

// Records implements survey.Store.
func (s *Store) Records() (all []survey.Record, err error) {
	err = s.journal.States(prefix, func(_ string, data []byte) error {
		r, err := survey.Decode(data)
		if err == nil {
			all = append(all, r)
		}
		return err
	})
	return all, err
}
