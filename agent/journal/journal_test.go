package journal

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
)

func open(t *testing.T, path string, opt Options) *Journal {
	t.Helper()
	j, err := Open(path, opt)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = j.db.Close() }) // a second close does nothing
	return j
}

func note(text string) Record {
	return Record{Wall: time.Date(2026, 2, 3, 4, 5, 6, 0, time.UTC), Boot: "b", Up: time.Minute, Kind: KindNote, Subject: "router", Who: "uid 1000", Text: text}
}

func texts(t *testing.T, j *Journal, f Filter) string {
	t.Helper()
	records, err := j.Records(f)
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, r := range records {
		out = append(out, fmt.Sprintf("%d:%s", r.Seq, r.Text))
	}
	return strings.Join(out, " ")
}

// copyFile stands for a power cut: it takes what is in the file and nothing else.
func copyFile(t *testing.T, from string) string {
	t.Helper()
	data, err := os.ReadFile(from)
	if err != nil {
		t.Fatal(err)
	}
	to := filepath.Join(t.TempDir(), "copy.db")
	if err := os.WriteFile(to, data, 0o600); err != nil {
		t.Fatal(err)
	}
	return to
}

type state struct{ Charge, Ohm float64 }

func TestWhatWasCommittedSurvivesAPowerCutAndWhatWasNotIsLost(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j.db")
	j := open(t, path, Options{Boot: "boot-1"})
	if info, err := os.Stat(path); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("mode %v, %v", info.Mode(), err)
	}
	want := note("swapped for B2")
	want.Data = json.RawMessage(`{"v":20.9}`)
	if err := errors.Join(j.PutPackState("a", state{0.5, 0.1}), j.PutProfile("B2", state{1, 2}), j.PutState("alarms", []string{"x"})); err != nil {
		t.Fatal(err)
	}
	got, err := j.AppendNow(want)
	if err != nil {
		t.Fatal(err)
	}
	if got.Seq != 1 {
		t.Errorf("sequence number %d", got.Seq)
	}
	if err := j.PutPackState("a", state{0.4, 0.1}); err != nil {
		t.Fatal(err)
	}
	unmarked := j.Append(Record{Kind: KindAgent, Text: "not committed"})
	if unmarked.Boot != "boot-1" {
		t.Errorf("boot %q", unmarked.Boot)
	}

	// The living journal shows both.
	var s state
	if ok, err := j.PackState("a", &s); !ok || err != nil || s.Charge != 0.4 {
		t.Errorf("living state %v %v %v", s, ok, err)
	}
	if got := texts(t, j, Filter{}); got != "1:swapped for B2 2:not committed" {
		t.Errorf("living record %s", got)
	}

	after := open(t, copyFile(t, path), Options{})
	if ok, err := after.PackState("a", &s); !ok || err != nil || s != (state{0.5, 0.1}) {
		t.Errorf("state after the cut %v %v %v", s, ok, err)
	}
	if ok, err := after.Profile("B2", &s); !ok || err != nil || s != (state{1, 2}) {
		t.Errorf("profile after the cut %v %v %v", s, ok, err)
	}
	var alarms []string
	if ok, err := after.State("alarms", &alarms); !ok || err != nil || len(alarms) != 1 {
		t.Errorf("alarms after the cut %v %v %v", alarms, ok, err)
	}
	if ok, err := after.PackState("none", &s); ok || err != nil {
		t.Errorf("a state that was never put: %v %v", ok, err)
	}
	records, err := after.Records(Filter{})
	if err != nil {
		t.Fatal(err)
	}
	want.Seq = 1
	if diff := cmp.Diff([]Record{want}, records); diff != "" {
		t.Errorf("-want +got\n%s", diff)
	}
	if got := after.Append(note("next")); got.Seq != 2 {
		t.Errorf("next sequence number %d", got.Seq)
	}
}

func TestFilter(t *testing.T) {
	j := open(t, filepath.Join(t.TempDir(), "j.db"), Options{})
	for i := range 6 {
		r := note(string(rune('a' + i)))
		r.Wall = r.Wall.Add(time.Duration(i) * time.Hour)
		if i%2 == 1 {
			r.Kind = KindAlarm
		}
		j.Append(r)
		if i == 3 { // the rest is not committed: it must be found as well
			if err := j.Flush(); err != nil {
				t.Fatal(err)
			}
		}
	}
	start := note("").Wall
	for _, tt := range []struct {
		name string
		f    Filter
		want string
	}{
		{"all", Filter{}, "1:a 2:b 3:c 4:d 5:e 6:f"},
		{"since a time", Filter{Since: start.Add(2 * time.Hour)}, "3:c 4:d 5:e 6:f"},
		{"after a number", Filter{AfterSeq: 3}, "4:d 5:e 6:f"},
		{"after the last", Filter{AfterSeq: 6}, ""},
		{"of a kind", Filter{Kinds: []Kind{KindAlarm}}, "2:b 4:d 6:f"},
		{"of either kind", Filter{Kinds: []Kind{KindAlarm, KindNote}, AfterSeq: 4}, "5:e 6:f"},
		{"the newest", Filter{Limit: 3}, "4:d 5:e 6:f"},
		{"the newest of a kind", Filter{Limit: 2, Kinds: []Kind{KindNote}}, "3:c 5:e"},
		{"the newest, all waiting", Filter{Limit: 1}, "6:f"},
	} {
		if got := texts(t, j, tt.f); got != tt.want {
			t.Errorf("%s: got %s, want %s", tt.name, got, tt.want)
		}
	}
}

func TestBatchesAreCommittedInTimeAndAtTheEnd(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		path := filepath.Join(dir, "j.db")
		j, err := Open(path, Options{})
		if err != nil {
			t.Fatal(err)
		}
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- j.Run(ctx) }()
		j.Append(note("a"))
		time.Sleep(44 * time.Second)
		synctest.Wait()
		if s := j.Status(); s.Pending != 1 || !s.LastSync.IsZero() {
			t.Errorf("after 44 s: %+v", s)
		}
		time.Sleep(2 * time.Second) // BatchEvery is 45 s: at most a minute may be lost
		synctest.Wait()
		if s := j.Status(); s.Pending != 0 || time.Since(s.LastSync) != time.Second {
			t.Errorf("after 46 s: %+v", s)
		}
		j.Append(note("b"))
		j.Hurry()
		synctest.Wait()
		if s := j.Status(); s.Pending != 0 || time.Since(s.LastSync) != 0 {
			t.Errorf("after Hurry: %+v", s)
		}
		j.Append(note("c"))
		stop()
		if err := <-done; err != nil {
			t.Error(err)
		}
		if got := texts(t, open(t, copyFile(t, path), Options{}), Filter{}); got != "1:a 2:b 3:c" {
			t.Errorf("in the file: %s", got)
		}
		if err := j.Close(); err != nil {
			t.Error(err)
		}
	})
}

func TestASecondAgentIsToldWhoHoldsTheJournal(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j.db")
	j := open(t, path, Options{})
	_, err := Open(path, Options{LockTimeout: 100 * time.Millisecond})
	if !errors.Is(err, ErrLocked) || !strings.Contains(err.Error(), fmt.Sprintf("by process %d (", os.Getpid())) {
		t.Errorf("got %v", err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	open(t, path, Options{LockTimeout: 100 * time.Millisecond})
}

func TestAWrongPlaceIsNamed(t *testing.T) {
	dir := t.TempDir()
	link := filepath.Join(dir, "link")
	if err := os.Symlink(filepath.Join(dir, "target"), link); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(dir, "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for path, want := range map[string]string{
		filepath.Join(dir, "none", "j.db"): "its directory: ",
		filepath.Join(file, "j.db"):        "is not a directory",
		dir:                                "is a directory",
		link:                               "symbolic links",
	} {
		if _, err := Open(path, Options{}); err == nil || !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), path) {
			t.Errorf("%s: %v, want %q", path, err, want)
		}
	}
	if _, err := Open(filepath.Join(dir, "j.db"), Options{BatchEvery: 2 * time.Minute}); err == nil {
		t.Error("batches two minutes apart were accepted")
	}
}

func TestWhatIsBeingWrittenIsReadFromMemoryAndOnce(t *testing.T) {
	j := open(t, filepath.Join(t.TempDir(), "j.db"), Options{})
	if _, err := j.AppendNow(note("a")); err != nil {
		t.Fatal(err)
	}
	second := note("b")
	if err := j.PutPackState("a", state{Charge: 0.7}); err != nil {
		t.Fatal(err)
	}
	j.Append(second)
	j.mu.Lock()
	c := j.take()
	j.mu.Unlock()
	check := func(when string) {
		t.Helper()
		var s state
		if ok, err := j.PackState("a", &s); !ok || err != nil || s.Charge != 0.7 {
			t.Errorf("%s: state %v %v %v", when, s, ok, err)
		}
		if got := texts(t, j, Filter{}); got != "1:a 2:b" {
			t.Errorf("%s: record %s", when, got)
		}
	}
	check("before it is in the file")
	for _, c.move = range []bool{false, true} {
		if err := j.commit(c); err != nil {
			t.Fatal(err)
		}
		check(fmt.Sprintf("when it is in the file already, moved %v", c.move))
	}
	if s := j.Status(); s.Pending != 2 {
		t.Errorf("%d pending", s.Pending)
	}
}

func TestManyAtOnce(t *testing.T) {
	j := open(t, filepath.Join(t.TempDir(), "j.db"), Options{BatchEvery: time.Millisecond})
	ctx, stop := context.WithCancel(t.Context())
	var run, work sync.WaitGroup
	run.Go(func() {
		if err := j.Run(ctx); err != nil {
			t.Error(err)
		}
	})
	for w := range 4 {
		work.Go(func() {
			for i := range 50 {
				j.Append(note("x"))
				if err := j.PutPackState(fmt.Sprint(w), state{float64(i), 0}); err != nil {
					t.Error(err)
				}
				var s state
				if ok, err := j.PackState(fmt.Sprint(w), &s); !ok || err != nil || s.Charge != float64(i) {
					t.Errorf("read back %v %v %v, want %d", s, ok, err, i)
				}
				records, err := j.Records(Filter{})
				if err != nil {
					t.Error(err)
				}
				for n, r := range records {
					if r.Seq != uint64(n+1) {
						t.Fatalf("record %d has number %d", n+1, r.Seq)
					}
				}
				j.Status()
			}
		})
	}
	work.Wait()
	stop()
	run.Wait()
	if got := len(strings.Fields(texts(t, j, Filter{}))); got != 200 {
		t.Errorf("%d records", got)
	}
	if err := j.Close(); err != nil {
		t.Error(err)
	}
	if err := j.PutState("late", 1); err != nil {
		t.Error(err)
	}
	if err := j.Flush(); err == nil {
		t.Error("a closed journal accepted a write")
	}
}

func TestBootIDIsAUUID(t *testing.T) {
	id, err := BootID()
	if err != nil || len(id) != 36 || strings.Count(id, "-") != 4 { // RFC 9562: 36 characters
		t.Errorf("%q, %v", id, err)
	}
}
