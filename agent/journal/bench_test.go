package journal

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
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

func written(b *testing.B) (bytes int64) {
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
