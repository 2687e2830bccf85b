package journal

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// BenchmarkDay writes a day as a busy agent would: a commit every 45 s with the
// state of two packs, the data budget and two records. It reports the bytes handed
// to the file (wchar of proc_pid_io(5)), of which a day may have 64 MB.
func BenchmarkDay(b *testing.B) {
	j, err := Open(filepath.Join(b.TempDir(), "j.db"), Options{})
	if err != nil {
		b.Fatal(err)
	}
	for i := range 100_000 { // a record at its limit has the deepest tree
		j.Append(note("filler"))
		if i%4000 == 0 {
			if err := j.Flush(); err != nil {
				b.Fatal(err)
			}
		}
	}
	state := strings.Repeat("7", 1500)
	commits := 0
	before := written(b)
	for b.Loop() {
		for range 2 {
			j.Append(note("probe: loss 0 of 10, median 43 ms"))
		}
		if err := errors.Join(j.PutPackState("a", state), j.PutPackState("b", state), j.PutState("budget", 1), j.Flush()); err != nil {
			b.Fatal(err)
		}
		commits++
	}
	const perDay = 24 * 60 * 60 / 45
	b.ReportMetric(float64(written(b)-before)/float64(commits)*perDay/1e6, "MB/day")
	if err := j.Close(); err != nil {
		b.Fatal(err)
	}
}

// The writes of a day as in BenchmarkDay, from four turns of sixteen commits, by the
// kernel's count.
func TestADaysWritesStayWithinTheLimit(t *testing.T) {
	j, err := Open(filepath.Join(t.TempDir(), "j.db"), Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	j.db.NoSync = true // only for the filling
	for i := range 20_000 {
		j.Append(note("filler"))
		if i%4000 == 0 {
			if err := j.Flush(); err != nil {
				t.Fatal(err)
			}
		}
	}
	j.db.NoSync = false
	state := strings.Repeat("7", 1500)
	const warm, commits = 32, 64 // the filling is moved to its place meanwhile
	var before int64
	for i := range warm + commits {
		if i == warm {
			before = written(t)
		}
		for range 2 {
			j.Append(note("probe: loss 0 of 10, median 43 ms"))
		}
		if err := errors.Join(j.PutPackState("a", state), j.PutPackState("b", state), j.PutState("budget", 1), j.Flush()); err != nil {
			t.Fatal(err)
		}
	}
	const perDay, limit = 24 * 60 * 60 / 45, 64e6 // bytes
	day := float64(written(t)-before) / commits * perDay
	t.Logf("%.0f MB a day", day/1e6)
	if day < 1e6 || day > limit {
		t.Errorf("%.0f MB are written a day, want 64 MB at most", day/1e6)
	}
}

// written is what the process handed to files. The kernel's other counter,
// write_bytes, charges whole folios: on ext4 since Linux 6.16 a page of 4 KiB written
// over in a large folio counts as up to 2 MiB, so it cannot be compared with a limit.
func written(b testing.TB) (bytes int64) {
	b.Helper()
	text, err := os.ReadFile("/proc/self/io")
	if err != nil {
		b.Skip("no /proc/self/io: ", err)
	}
	for line := range strings.Lines(string(text)) {
		if _, err := fmt.Sscanf(line, "wchar: %d", &bytes); err == nil {
			return bytes
		}
	}
	b.Fatal("no wchar in /proc/self/io")
	return 0
}

// BenchmarkDayOffline is a day as in BenchmarkDay, at the interval that Options
// gives, with 100 series gathered each 15 s and held because nobody takes them.
// The backlog stands at its 72 h depth.
func BenchmarkDayOffline(b *testing.B) {
	j, err := Open(filepath.Join(b.TempDir(), "j.db"), Options{Boot: "0f1e2d3c-4b5a-6978-8796-a5b4c3d2e1f0"})
	if err != nil {
		b.Fatal(err)
	}
	opt, _ := Options{}.withDefaults()
	perCommit := float64(opt.BatchEvery) / float64(15*time.Second)
	n, due := 0, 0.0
	gathering := func() {
		for due += perCommit; due >= 1; due-- {
			if _, err := j.AddGathering(gather(n, 100)); err != nil {
				b.Fatal(err)
			}
			n++
		}
	}
	j.db.NoSync = true // only for the filling
	for i := 0; n < 72*60*4; i++ {
		gathering()
		for range 20 {
			j.Append(note("filler"))
		}
		if err := j.Flush(); err != nil {
			b.Fatal(err)
		}
	}
	j.db.NoSync = false
	if err := j.db.Sync(); err != nil {
		b.Fatal(err)
	}
	held := j.Status()
	state := strings.Repeat("7", 1500)
	commits := 0
	handed := written(b)
	for b.Loop() {
		gathering()
		for range 2 {
			j.Append(note("probe: loss 0 of 10, median 43 ms"))
		}
		if err := errors.Join(j.PutPackState("a", state), j.PutPackState("b", state), j.PutState("budget", 1), j.Flush()); err != nil {
			b.Fatal(err)
		}
		commits++
	}
	b.ReportMetric(float64(held.SampleBytes)/1e6, "MB/72h")
	perDay := float64(24*time.Hour) / float64(opt.BatchEvery) / float64(commits) / 1e6
	b.ReportMetric(float64(written(b)-handed)*perDay, "MB/day")
	if err := j.Close(); err != nil {
		b.Fatal(err)
	}
}
