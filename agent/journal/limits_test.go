package journal

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

func TestAFullDiskLosesTheOldestRecordsAndSaysSo(t *testing.T) {
	j := open(t, filepath.Join(t.TempDir(), "j.db"), Options{MaxPending: 3, MaxBytes: 32 << 10})
	big := strings.Repeat("x", maxTextBytes)
	var err error
	for range 100 {
		if _, err = j.AppendNow(note(big)); err != nil {
			break
		}
	}
	if err == nil {
		t.Fatal("the file grew beyond its limit")
	}
	whole := j.Status()
	if whole.LastError == "" || whole.Pending != 1 || whole.Dropped != 0 {
		t.Errorf("status %+v", whole)
	}
	if err := j.PutPackState("a", state{1, 1}); err != nil {
		t.Fatal(err)
	}
	for _, text := range []string{"a", "b", "c"} {
		j.Append(note(text))
	}
	if err := j.PutPackState("a", state{2, 2}); err != nil {
		t.Fatal(err)
	}
	if err := j.Flush(); err == nil {
		t.Error("fits, though the disk is full")
	}
	j.db.MaxSize = 0 // somebody has made room
	if err := j.Flush(); err != nil {
		t.Fatal(err)
	}
	if s := j.Status(); s.Dropped != 1 || s.LastError != "" || s.Pending != 1 {
		t.Errorf("status %+v", s)
	}
	got, err := j.Records(Filter{Limit: 4})
	if err != nil || len(got) != 4 {
		t.Fatal(got, err)
	}
	if got[0].Text != "a" || got[3].Kind != KindSelf || !strings.HasPrefix(got[3].Text, "1 records were dropped") {
		t.Errorf("record %+v", got)
	}
	var s state
	if ok, err := j.PackState("a", &s); !ok || err != nil || s.Charge != 2 {
		t.Errorf("state %v %v %v", s, ok, err)
	}
}

func TestWhatComesDuringAFailingCommitIsTheNewer(t *testing.T) {
	j := open(t, filepath.Join(t.TempDir(), "j.db"), Options{MaxBytes: 32 << 10})
	if err := j.PutPackState("a", strings.Repeat("old", 20000)); err != nil { // more than there is room for
		t.Fatal(err)
	}
	j.Append(note("first"))
	busy, err := j.db.Begin(true)
	if err != nil {
		t.Fatal(err)
	}
	failed := make(chan error)
	go func() { failed <- j.Flush() }()
	for taken := false; !taken; time.Sleep(time.Millisecond) {
		j.mu.Lock()
		taken = !j.writing.empty()
		j.mu.Unlock()
	}
	if err := j.PutPackState("a", "new"); err != nil {
		t.Fatal(err)
	}
	j.Append(note("second"))
	if err := busy.Rollback(); err != nil {
		t.Fatal(err)
	}
	if err := <-failed; err == nil {
		t.Fatal("the commit did not fail")
	}
	var s string
	if ok, err := j.PackState("a", &s); !ok || err != nil || s != "new" {
		t.Errorf("state %.10s %v %v", s, ok, err)
	}
	if got := texts(t, j, Filter{}); got != "1:first 2:second" {
		t.Errorf("record %s", got)
	}
}

func TestTheRecordKeepsToItsLimitAndOverAReopening(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j.db")
	opt := Options{MaxRecords: 100}
	j := open(t, path, opt)
	for i := range 250 {
		j.Append(note("x"))
		if i%7 == 0 {
			if err := j.Flush(); err != nil {
				t.Fatal(err)
			}
		}
	}
	moved(t, j)
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	removed := j.Status().Removed
	j = open(t, path, opt)
	records, err := j.Records(Filter{})
	if err != nil {
		t.Fatal(err)
	}
	if n := len(records); n > 100 || n < 90 || records[n-1].Seq != 250 || int(removed)+n != 250 || j.count != n {
		t.Errorf("%d records to number %d, %d removed, %d counted", n, records[n-1].Seq, removed, j.count)
	}
}

func TestWhatCannotBeKeptIsRefusedOrCut(t *testing.T) {
	j := open(t, filepath.Join(t.TempDir(), "j.db"), Options{})
	for name, err := range map[string]error{
		"not a number": j.PutState("a", math.NaN()),
		"too large":    j.PutState("a", strings.Repeat("x", maxStateBytes)),
		"no key":       j.PutState("", 1),
		"long key":     j.PutState(strings.Repeat("k", 257), 1),
	} {
		if err == nil {
			t.Errorf("%s was accepted", name)
		}
	}
	for i := range maxStateKeys {
		if err := j.PutState(fmt.Sprint(i), 1); err != nil {
			t.Fatal(err)
		}
	}
	if err := j.PutState("one more", 1); err == nil {
		t.Error("no bound on what waits")
	}
	r := note(strings.Repeat("é", maxTextBytes))
	r.Data = json.RawMessage(`{"a":`)
	r.Wall = time.Date(20000, 1, 1, 0, 0, 0, 0, time.UTC)
	if _, err := j.AppendNow(r); err != nil {
		t.Fatal(err)
	}
	got, err := j.Records(Filter{})
	if err != nil || len(got) != 1 || len(got[0].Text) > maxTextBytes+100 || got[0].Data != nil || !got[0].Wall.IsZero() ||
		!strings.HasSuffix(got[0].Text, "(5 bytes of figures could not be kept)") {
		t.Errorf("got %+v, %v", got, err)
	}
}

func TestARemovedStateIsGoneAtOnceAndTakesNoRoom(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j.db")
	j := open(t, path, Options{})
	keys := func(j *Journal) string {
		var all []string
		if err := j.States("s/", func(key string, _ []byte) error { all = append(all, key); return nil }); err != nil {
			t.Fatal(err)
		}
		return strings.Join(all, " ")
	}
	if err := errors.Join(j.PutState("s/1", 1), j.PutState("s/2", 2), j.Flush(), j.PutState("s/3", 3)); err != nil {
		t.Fatal(err)
	}
	j.RemoveState("s/1")
	j.RemoveState("s/3") // not in the file yet
	j.RemoveState("s/4") // never there
	if got := keys(j); got != "s/2" {
		t.Errorf("before the commit %q", got)
	}
	for i := range maxStateKeys {
		j.RemoveState(fmt.Sprint(i))
	}
	if err := j.PutState("s/5", 5); err != nil {
		t.Errorf("no room beside removals: %v", err)
	}
	if err := j.Flush(); err != nil {
		t.Fatal(err)
	}
	if got := keys(open(t, copyFile(t, path), Options{})); got != "s/2 s/5" {
		t.Errorf("after the commit %q", got)
	}
}
