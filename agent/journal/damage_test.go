package journal

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.etcd.io/bbolt"
)

// grown is a journal with branch pages, values over several pages, removed keys
// and free pages.
func grown(t *testing.T, seed uint64) (path string, final, before string) {
	t.Helper()
	path = filepath.Join(t.TempDir(), "j.db")
	j := open(t, path, Options{MaxRecords: 150})
	rnd := rand.New(rand.NewPCG(seed, 1))
	for range 60 {
		for range rnd.IntN(12) {
			j.Append(note(strings.Repeat("x", rnd.IntN(600))))
		}
		if err := errors.Join(
			j.PutPackState(fmt.Sprint(rnd.IntN(40)), strings.Repeat("s", rnd.IntN(300))),
			j.PutProfile("big", strings.Repeat("p", rnd.IntN(9000))),
			j.Flush()); err != nil {
			t.Fatal(err)
		}
	}
	before = content(t, j)
	if _, err := j.AppendNow(note("the last")); err != nil {
		t.Fatal(err)
	}
	final = content(t, j)
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	return path, final, before
}

// content is everything a journal holds.
func content(t *testing.T, j *Journal) string {
	t.Helper()
	var out strings.Builder
	records, err := j.Records(Filter{})
	fmt.Fprintln(&out, records, err)
	for i := range 40 {
		var s string
		ok, err := j.PackState(fmt.Sprint(i), &s)
		fmt.Fprintln(&out, ok, err, s)
	}
	var s string
	ok, err := j.Profile("big", &s)
	fmt.Fprintln(&out, ok, err, s)
	return out.String()
}

// A sound file must never be taken for a damaged one, however it grew.
func TestEveryCommittedFileIsFoundSound(t *testing.T) {
	for seed := range uint64(3) {
		path := filepath.Join(t.TempDir(), "j.db")
		j := open(t, path, Options{MaxRecords: 60})
		rnd := rand.New(rand.NewPCG(seed, 2))
		for i := range 150 {
			for range rnd.IntN(20) {
				j.Append(note(strings.Repeat("x", rnd.IntN(3000))))
			}
			if err := errors.Join(
				j.PutState(fmt.Sprintf("%x", rnd.Uint64()), strings.Repeat("s", rnd.IntN(2000))),
				j.PutProfile("big", strings.Repeat("p", rnd.IntN(20000))),
				j.Flush()); err != nil {
				t.Fatal(err)
			}
			if i%5 == 0 { // keys in the middle and at the ends go too
				removeSome(t, j, rnd)
			}
			file, err := os.Open(path)
			if err != nil {
				t.Fatal(err)
			}
			info, err := file.Stat()
			if err != nil {
				t.Fatal(err)
			}
			if err := checkFile(file, info.Size()); err != nil {
				t.Fatalf("seed %d, commit %d: %v", seed, i, err)
			}
			file.Close()
		}
	}
}

func removeSome(t *testing.T, j *Journal, rnd *rand.Rand) {
	t.Helper()
	err := j.db.Update(func(tx *bbolt.Tx) error {
		b := tx.Bucket([]byte(bucketState))
		var keys [][]byte
		err := b.ForEach(func(k, _ []byte) error {
			if rnd.IntN(3) == 0 || len(keys) == 0 {
				keys = append(keys, append([]byte(nil), k...))
			}
			return nil
		})
		for _, k := range keys {
			err = errors.Join(err, b.Delete(k))
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}

// openDamaged opens a copy of data, which must give either a sound journal or a
// fresh one with the old file set aside.
func openDamaged(t *testing.T, data []byte, what string) (got string, damaged bool) {
	t.Helper()
	dir, err := os.MkdirTemp(t.TempDir(), "")
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "j.db")
	if err := os.WriteFile(path, data, 0o600); err != nil {
		t.Fatal(err)
	}
	j, err := Open(path, Options{})
	var damage *DamagedError
	if errors.As(err, &damage) {
		kept, err := os.ReadFile(damage.MovedTo)
		if err != nil || string(kept) != string(data) {
			t.Errorf("%s: what was set aside is not what was there: %v", what, err)
		}
	} else if err != nil {
		t.Fatalf("%s: %v", what, err)
	}
	got = content(t, j)
	if _, err := j.AppendNow(note("goes on")); err != nil {
		t.Errorf("%s: %v", what, err)
	}
	if err := j.Close(); err != nil {
		t.Errorf("%s: %v", what, err)
	}
	if err := os.RemoveAll(dir); err != nil {
		t.Fatal(err)
	}
	return got, damage != nil
}

// Whatever single bit decays, what is read afterwards is what was written, or,
// when it struck the newest root page, what the commit before had written.
func TestAFlippedBitIsNeverReadAsAFigure(t *testing.T) {
	const seed, flips = 7, 600
	path, final, before := grown(t, seed)
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	rnd := rand.New(rand.NewPCG(seed, 3))
	noticed := 0
	for i := range flips {
		at, bit := rnd.IntN(len(data)), byte(1)<<rnd.IntN(8)
		if i < 160 { // both root pages whole
			at = i/80*pageSize + i%80
		}
		data[at] ^= bit
		what := fmt.Sprintf("seed %d, byte %d bit %#x", seed, at, bit)
		got, damaged := openDamaged(t, data, what)
		data[at] ^= bit
		if damaged {
			noticed++
		} else if got != final && (got != before || at >= 2*pageSize) {
			t.Errorf("%s: read as something else", what)
		}
	}
	if noticed < flips/10 {
		t.Errorf("only %d of %d flips were noticed: does the test still reach live pages?", noticed, flips)
	}
}

func TestATruncatedFileIsSetAsideAndTheAgentStartsAfresh(t *testing.T) {
	path, final, _ := grown(t, 8)
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	empty := content(t, open(t, filepath.Join(t.TempDir(), "j.db"), Options{}))
	for _, size := range []int{1, 100, pageSize, 2 * pageSize, 3 * pageSize, len(data) / 2, len(data) / 2 / pageSize * pageSize} {
		if got, damaged := openDamaged(t, data[:size], fmt.Sprintf("%d bytes", size)); !damaged || got != empty {
			t.Errorf("%d of %d bytes: set aside %v", size, len(data), damaged)
		}
	}
	if got, damaged := openDamaged(t, data, "whole"); damaged || got != final {
		t.Error("the whole file is not read as it was")
	}
	if _, damaged := openDamaged(t, []byte(strings.Repeat("not a journal\n", 2000)), "text"); !damaged {
		t.Error("a text file was taken for a journal")
	}
	if _, damaged := openDamaged(t, nil, "nothing"); damaged {
		t.Error("an empty file, as a crash at the first start leaves it, was called damaged")
	}
}

func TestTheDamagedErrorSaysWhatHappened(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j.db")
	stamp := time.Now()
	for range 2 { // twice within a second: neither may overwrite the other
		if err := os.WriteFile(path, []byte("rubbish"), 0o600); err != nil {
			t.Fatal(err)
		}
		j, err := Open(path, Options{})
		if err == nil || !strings.Contains(err.Error(), path+" is damaged (too short to be a journal)") || !strings.Contains(err.Error(), "set aside as "+path+".damaged-"+stamp.UTC().Format("200601")) {
			t.Fatalf("got %v", err)
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
	}
	if kept, err := filepath.Glob(path + ".damaged-*"); err != nil || len(kept) != 2 {
		t.Errorf("kept %v, %v", kept, err)
	}
}

func TestAJournalOfAnotherFormatIsLeftAlone(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j.db")
	j := open(t, path, Options{})
	err := j.db.Update(func(tx *bbolt.Tx) error {
		return tx.Bucket([]byte(bucketAbout)).Put([]byte("format"), seal(bucketAbout, []byte("format"), []byte("2")))
	})
	if err = errors.Join(err, j.Close()); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(path, Options{}); err == nil || !strings.Contains(err.Error(), `written in format "2"`) {
		t.Errorf("got %v", err)
	}
	if _, err := os.Stat(path); err != nil {
		t.Errorf("the file is gone: %v", err)
	}
}

// FuzzCheckFile: the checker itself never panics and never runs away.
func FuzzCheckFile(f *testing.F) {
	path := filepath.Join(f.TempDir(), "j.db")
	j, err := Open(path, Options{})
	if err != nil {
		f.Fatal(err)
	}
	j.Append(note("a"))
	if err := j.Close(); err != nil {
		f.Fatal(err)
	}
	data, err := os.ReadFile(path)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(data[2*pageSize:], uint8(2))
	f.Fuzz(func(t *testing.T, tail []byte, root uint8) {
		// The root pages are given, since no fuzzer finds their checksum.
		whole := append(metaPages(uint64(root), uint64(2+len(tail)/pageSize)), tail...)
		if err := checkFile(strings.NewReader(string(whole)), int64(len(whole))); err == nil && len(tail) < pageSize {
			t.Error("accepted a root that is not there")
		}
	})
}
