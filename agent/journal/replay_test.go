package journal

import (
	"bufio"
	"encoding/hex"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"go.uber.org/goleak"
)

// What a power cut leaves is not what a kill leaves: of the writes since the last
// sync the disk may have kept any, in any order, and parts of one. So a journal is
// written by a process whose system calls strace(1) records, and the file is made
// again as it may have stood at each moment between two syncs. Each such file must
// open as sound and hold all that had been acknowledged by then. An
// acknowledgement that came before its sync fails too, since then the file without
// any of the writes in between lacks it.
//
// Limits: the sync itself is believed: a disk that lies about it is not shown here.

const (
	writerEnv = "CANDLEMARK_TEST_WRITER" // directory of the journal: this process is the writer
	writes    = 48                       // commits
)

func TestMain(m *testing.M) {
	// The test program starts itself as what a test looks at.
	for env, run := range map[string]func(dir string) error{writerEnv: writer, fullEnv: onFullDisk} {
		if dir := os.Getenv(env); dir != "" {
			if err := run(dir); err != nil {
				fmt.Fprintln(os.Stderr, err)
				os.Exit(1)
			}
			os.Exit(0)
		}
	}
	goleak.VerifyTestMain(m)
}

// writer commits and acknowledges each commit in the file ack.
func writer(dir string) error {
	ack, err := os.Create(filepath.Join(dir, "ack"))
	if err != nil {
		return err
	}
	j, err := Open(filepath.Join(dir, "j.db"), Options{Boot: "b", MaxRecords: 60, MaxSampleBytes: 16 << 10})
	if err != nil {
		return err
	}
	rnd := rand.New(rand.NewPCG(1, 1))
	for i := range writes {
		for range 1 + rnd.IntN(5) {
			j.Append(note(strings.Repeat("x", rnd.IntN(800))))
		}
		for n := range 4 {
			if _, err := j.AddGathering(gather(4*i+n, 20+i/20)); err != nil {
				return err
			}
		}
		if i%5 == 4 {
			j.Forget(j.samples.next - 10)
		}
		if err := errors.Join(j.PutPackState("a", i), j.Flush()); err != nil {
			return err
		}
		if _, err := fmt.Fprintf(ack, "%d %d %d\n", i, j.next, j.samples.next); err != nil {
			return err
		}
	}
	return nil // and no Close: it ends here
}

// event is one recorded system call.
type event struct {
	write    []byte // at offset, to the journal
	offset   int64
	truncate int64 // new size of the journal, 0 is no truncation
	sync     bool
	ack      *acknowledged
}

type acknowledged struct {
	commit      int
	record, sum uint64
}

// record runs the writer under strace and returns what it did.
func record(t *testing.T) []event {
	t.Helper()
	strace, err := exec.LookPath("strace")
	if err != nil {
		if os.Getenv("CANDLEMARK_NO_SKIP") != "" {
			t.Fatal("strace is not installed (Debian package strace)")
		}
		t.Skip("strace is not installed (Debian package strace)")
	}
	dir := t.TempDir()
	path, log := filepath.Join(dir, "j.db"), filepath.Join(dir, "log")
	cmd := exec.Command(strace, "-f", "-qq", "-y", "-xx", "-s", "1000000", "-e", "signal=none",
		"-e", "trace=pwrite64,write,ftruncate,fdatasync,fsync", "-o", log, os.Args[0])
	cmd.Env = append(os.Environ(), writerEnv+"="+dir)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	return parse(t, log, path, filepath.Join(dir, "ack"))
}

func parse(t *testing.T, log, path, ackPath string) []event {
	t.Helper()
	file, err := os.Open(log)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	call := regexp.MustCompile(`^(\d+) +(\w+)\(\d+<([^>]*)>(?:, "([^"]*)"|)(.*)$`)
	resumed := regexp.MustCompile(`^(\d+) +<\.\.\. (fdatasync|fsync) resumed>.* = 0$`)
	numbers := regexp.MustCompile(`\d+`)
	plain := func(s string) string { // -xx escapes paths too
		b, err := hex.DecodeString(strings.ReplaceAll(s, `\x`, ""))
		if err != nil {
			return s
		}
		return string(b)
	}
	var events []event
	syncing := map[string]bool{} // threads
	lines := bufio.NewScanner(file)
	lines.Buffer(nil, 64<<20)
	for lines.Scan() {
		if m := resumed.FindStringSubmatch(lines.Text()); m != nil && syncing[m[1]] {
			events = append(events, event{sync: true})
			continue
		}
		m := call.FindStringSubmatch(lines.Text())
		if m == nil {
			continue
		}
		name, target, rest := m[2], plain(m[3]), numbers.FindAllString(m[5], -1)
		number := func(i int) int64 {
			n, err := strconv.ParseInt(rest[i], 10, 64)
			if err != nil {
				t.Fatal(err)
			}
			return n
		}
		switch {
		case target == path && name == "pwrite64":
			data := []byte(plain(m[4]))
			if int64(len(data)) != number(0) {
				t.Fatalf("%d bytes of %d were recorded", len(data), number(0))
			}
			events = append(events, event{write: data, offset: number(1)})
		case target == path && name == "ftruncate":
			events = append(events, event{truncate: number(0)})
		case target == path && (name == "fdatasync" || name == "fsync"):
			// A sync counts from its end, and that may be on a later line.
			if done := strings.HasSuffix(m[5], "= 0"); done {
				events = append(events, event{sync: true})
			} else {
				syncing[m[1]] = true
			}
		case target == path:
			t.Fatalf("%s of the journal is not understood", name)
		case target == ackPath:
			var a acknowledged
			if _, err := fmt.Sscan(plain(m[4]), &a.commit, &a.record, &a.sum); err != nil {
				t.Fatal(err)
			}
			events = append(events, event{ack: &a})
		}
	}
	if err := lines.Err(); err != nil {
		t.Fatal(err)
	}
	return events
}

// apply does to image what e did to the file, or the first part bytes of it.
func apply(image []byte, e event, part int) []byte {
	grow := func(size int64) {
		if int64(len(image)) < size {
			image = append(image, make([]byte, size-int64(len(image)))...)
		}
	}
	if e.truncate > 0 {
		grow(e.truncate)
		return image[:e.truncate]
	}
	data := e.write[:min(part, len(e.write))]
	grow(e.offset + int64(len(data)))
	copy(image[e.offset:], data)
	return image
}

const whole = 1 << 30

func TestRecordedWritesCutAndReorderedAtEachSync(t *testing.T) {
	events := record(t)
	const seed = 20
	rnd := rand.New(rand.NewPCG(seed, seed))
	dir := t.TempDir()
	var base []byte // as of the last sync
	var pending []event
	var acked acknowledged
	acked.commit = -1
	images, syncs, acks := 0, 0, 0
	look := func(image []byte, how string) {
		t.Helper()
		images++
		holds(t, dir, image, acked, fmt.Sprintf("seed %d, after sync %d, %s of %d writes", seed, syncs, how, len(pending)))
	}
	for _, e := range append(events, event{sync: true}) {
		if e.ack != nil {
			acked = *e.ack
			acks++
			continue
		}
		if !e.sync {
			pending = append(pending, e)
			continue
		}
		copied := func() []byte { return append([]byte(nil), base...) }
		look(copied(), "none")
		for range 3 { // cut: the first few, and a part of the next
			image, n := copied(), rnd.IntN(len(pending)+1)
			for i, w := range pending[:n] {
				if i == n-1 {
					image = apply(image, w, 32*rnd.IntN(1+len(w.write)/32))
				} else {
					image = apply(image, w, whole)
				}
			}
			look(image, "cut to "+fmt.Sprint(n))
		}
		for range 3 { // reordered: some of them, in another order
			image := copied()
			for _, i := range rnd.Perm(len(pending))[:rnd.IntN(len(pending)+1)] {
				image = apply(image, pending[i], whole)
			}
			look(image, "some")
		}
		for _, w := range pending {
			base = apply(base, w, whole)
		}
		pending = nil
		syncs++
	}
	if acks != writes || syncs < 2*writes {
		t.Errorf("%d acknowledgements and %d syncs were recorded of %d commits", acks, syncs, writes)
	}
	t.Logf("%d syncs, %d files opened", syncs, images)
}

// holds opens a file as it may stand after a power cut.
func holds(t *testing.T, dir string, image []byte, acked acknowledged, how string) {
	t.Helper()
	path := filepath.Join(dir, "j.db")
	if err := os.WriteFile(path, image, 0o600); err != nil {
		t.Fatal(err)
	}
	j, err := Open(path, Options{Boot: "later"})
	if err != nil {
		if acked.commit < 0 && errors.As(err, new(*DamagedError)) {
			_ = j.db.Close() // the very first pages were cut: nothing was promised yet
			return
		}
		t.Fatalf("%s: %v", how, err)
	}
	defer j.db.Close()
	if acked.commit < 0 {
		return
	}
	var state int
	if ok, err := j.PackState("a", &state); !ok || err != nil || state < acked.commit {
		t.Fatalf("%s: state %d %v %v, acknowledged was %d", how, state, ok, err, acked.commit)
	}
	records, err := j.Records(Filter{})
	if err != nil || len(records) == 0 || records[len(records)-1].Seq < acked.record {
		t.Fatalf("%s: %d records, %v, acknowledged was number %d", how, len(records), err, acked.record)
	}
	for i := 1; i < len(records); i++ {
		if records[i].Seq != records[i-1].Seq+1 {
			t.Fatalf("%s: record %d is missing", how, records[i-1].Seq+1)
		}
	}
	gs, err := j.Gatherings(0, whole)
	if err != nil || len(gs) == 0 || gs[len(gs)-1].Seq < acked.sum {
		t.Fatalf("%s: %d gatherings, %v, acknowledged was number %d", how, len(gs), err, acked.sum)
	}
	for i := 1; i < len(gs); i++ {
		if want := gather(int(gs[i].Seq-1), 1); gs[i].Seq != gs[i-1].Seq+1 || gs[i].Up != want.Up {
			t.Fatalf("%s: gathering %d stands for %d", how, gs[i].Seq, gs[i-1].Seq+1)
		}
	}
}
