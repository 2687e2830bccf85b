package surveyor

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"

	"candlemark/probes/survey"
)

// Journal is the agent's journal as the store needs it.
type Journal interface {
	States(prefix string, each func(key string, data []byte) error) error
	PutState(key string, v any) error
	RemoveState(key string)
	Flush() error
}

const (
	// prefix begins the journal's keys of what is kept of surveys.
	prefix = "survey/"
	// MaxKept surveys with all rounds made are kept, the newest, and as many that
	// were stopped before.
	MaxKept = 100
)

// Store keeps surveys in the journal: one state for each record, numbered in their
// order. It is a survey.Store. When a survey begins, the oldest beyond MaxKept go.
type Store struct {
	journal Journal
	tell    func(text string)
	told    sync.Map // keys of records that tell was told of

	mu     sync.Mutex
	loaded bool
	next   int
}

// NewStore returns the store of a journal. tell, which may be nil, is told of each
// record that cannot be read, once, and of each survey that is removed.
func NewStore(j Journal, tell func(text string)) *Store {
	if tell == nil {
		tell = func(string) {}
	}
	return &Store{journal: j, tell: tell}
}

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
			if _, err := fmt.Sscanf(key, prefix+"%d", &n); err == nil {
				s.next = max(s.next, n+1)
			}
			return nil
		})
		if err != nil {
			return err
		}
		s.loaded = true
	}
	if r.Plan != nil {
		if err := s.prune(); err != nil {
			return err
		}
	}
	if err := s.journal.PutState(fmt.Sprintf("%s%09d", prefix, s.next), raw(line)); err != nil {
		return err
	}
	s.next++
	return s.journal.Flush()
}

// Records implements survey.Store. A record that cannot be read, such as one of a
// later version of the program, is left out: it must not hide the others.
func (s *Store) Records() (all []survey.Record, err error) {
	err = s.read(func(_ string, r survey.Record, readable bool) {
		if readable {
			all = append(all, r)
		}
	})
	return all, err
}

func (s *Store) read(each func(key string, r survey.Record, readable bool)) error {
	return s.journal.States(prefix, func(key string, data []byte) error {
		r, err := survey.Decode(data)
		if err != nil {
			if _, told := s.told.LoadOrStore(key, true); !told {
				s.tell(fmt.Sprintf("record %s is left out: %v", key, err))
			}
		}
		each(key, r, err == nil)
		return nil
	})
}

// prune removes the oldest surveys beyond MaxKept, and what cannot be read when all
// that is kept is newer.
func (s *Store) prune() error {
	var records []survey.Record
	var unread []string
	keys := map[string][]string{} // of each survey, in their order
	err := s.read(func(key string, r survey.Record, readable bool) {
		if !readable {
			unread = append(unread, key)
			return
		}
		records = append(records, r)
		keys[nameOf(r)] = append(keys[nameOf(r)], key)
	})
	if err != nil {
		return err
	}
	done := map[string]bool{}
	for _, sv := range survey.All(records) {
		_, left := sv.Next()
		done[sv.Plan.Name] = !left
	}
	newest := slices.SortedFunc(maps.Keys(keys), func(a, b string) int {
		return strings.Compare(keys[b][len(keys[b])-1], keys[a][len(keys[a])-1])
	})
	kept := map[bool]int{} // done, and not
	for _, name := range newest {
		if kept[done[name]]++; kept[done[name]] <= MaxKept {
			continue
		}
		for _, key := range keys[name] {
			s.journal.RemoveState(key)
		}
		delete(keys, name)
		s.tell(fmt.Sprintf("survey %s is removed: the newest %d are kept", name, MaxKept))
	}
	var oldest string
	for _, of := range keys {
		if oldest == "" || of[0] < oldest {
			oldest = of[0]
		}
	}
	for _, key := range unread {
		if key < oldest {
			s.journal.RemoveState(key)
		}
	}
	return nil
}

// nameOf is the survey that a record belongs to.
func nameOf(r survey.Record) string {
	switch {
	case r.Plan != nil:
		return r.Plan.Name
	case r.Round != nil:
		return r.Round.Survey
	}
	return r.Extend.Survey
}
