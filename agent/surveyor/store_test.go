package surveyor

import (
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"candlemark/agent/journal"
	"candlemark/probes"
	"candlemark/probes/survey"
)

func openJournal(t *testing.T, path string) *journal.Journal {
	t.Helper()
	j, err := journal.Open(path, journal.Options{Boot: "b"})
	if err != nil {
		t.Fatal(err)
	}
	return j
}

// small is a survey of two rounds.
func small(name string) survey.Plan {
	return survey.Plan{
		Name: name, Arrangements: []string{"a", "b"}, Rounds: 1, Order: survey.Counterbalanced, Primary: survey.Latency,
		Section: probes.Hop, Threshold: 0.15, LossShare: 0.01, Made: time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC),
	}
}

// begin begins a survey and makes the first rounds of it.
func begin(t *testing.T, s *Store, name string, rounds int) {
	t.Helper()
	sv, err := survey.Begin(s, small(name))
	if err != nil {
		t.Fatal(err)
	}
	for slot, a := range sv.Plan.Slots()[:rounds] {
		if err := s.Append(survey.Record{Round: &survey.Round{Survey: name, Slot: slot, Arrangement: a}}); err != nil {
			t.Fatal(err)
		}
	}
}

func names(t *testing.T, s *Store) (all []string) {
	t.Helper()
	records, err := s.Records()
	if err != nil {
		t.Fatal(err)
	}
	for _, sv := range survey.All(records) {
		all = append(all, sv.Plan.Name)
	}
	return all
}

func TestARecordThatCannotBeReadHidesNoOther(t *testing.T) {
	path := filepath.Join(t.TempDir(), "journal.db")
	j := openJournal(t, path)
	var told []string
	s := NewStore(j, func(text string) { told = append(told, text) })
	begin(t, s, "stairwell", 2)
	for key, v := range map[string]any{"survey/000000001": "no record", "survey/000000007": map[string]int{"of a later version": 1}, "survey/x": 1} {
		if err := j.PutState(key, v); err != nil {
			t.Fatal(err)
		}
	}
	begin(t, s, "roof", 1)
	if got := names(t, s); !slices.Equal(got, []string{"stairwell", "roof"}) {
		t.Errorf("%q", got)
	}
	names(t, s)
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	slices.Sort(told)
	if len(told) != 3 || !strings.HasPrefix(told[0], "record survey/000000001 is left out: survey record: json:") || !strings.Contains(told[1], "survey/000000007") {
		t.Errorf("told %q, want each of the three once", told)
	}
	j = openJournal(t, path)
	defer j.Close()
	s = NewStore(j, nil)
	begin(t, s, "mast", 1) // after the highest number, readable or not
	if got := names(t, s); !slices.Equal(got, []string{"stairwell", "roof", "mast"}) {
		t.Errorf("after a restart %q", got)
	}
}

func TestTheOldestSurveysMakeRoom(t *testing.T) {
	path := filepath.Join(t.TempDir(), "journal.db")
	j := openJournal(t, path)
	var told []string
	s := NewStore(j, func(text string) { told = append(told, text) })
	if err := j.PutState("survey/000000000", "no record"); err != nil {
		t.Fatal(err)
	}
	begin(t, s, "stopped", 1)
	for i := range MaxKept + 3 {
		begin(t, s, fmt.Sprintf("s%d", i), 2)
		if i == 50 { // went on, so it is newer than the others
			if err := s.Append(survey.Record{Extend: &survey.Extend{Survey: "s0", Rounds: 2, At: time.Now()}}); err != nil {
				t.Fatal(err)
			}
		}
	}
	begin(t, s, "last", 0)
	got := names(t, s)
	// s0 has rounds to make again; of the 102 others that are done the two oldest went.
	if len(got) != MaxKept+3 || !slices.Equal(got[:3], []string{"stopped", "s0", "s3"}) || got[len(got)-1] != "last" {
		t.Errorf("%d surveys: %q", len(got), got)
	}
	told = slices.DeleteFunc(told, func(text string) bool { return strings.HasPrefix(text, "record ") })
	if want := []string{"survey s1 is removed: the newest 100 are kept", "survey s2 is removed: the newest 100 are kept"}; !slices.Equal(told, want) {
		t.Errorf("told %q", told)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	j = openJournal(t, path)
	defer j.Close()
	if again := names(t, NewStore(j, nil)); !slices.Equal(again, got) {
		t.Errorf("after a restart %q", again)
	}
	if ok, err := j.State("survey/000000000", new(any)); ok || err != nil {
		t.Errorf("what nobody can read, older than all that is kept: still there %v, %v", ok, err)
	}
}
