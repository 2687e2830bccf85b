package journal

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"go.etcd.io/bbolt"
)

// gather is gathering number i: 15 s apart, of n series of which most stand still.
func gather(i, n int) Gathering {
	g := Gathering{Up: time.Duration(i) * 15 * time.Second}
	for s := range n {
		g.Series = append(g.Series, fmt.Sprintf("candlemark_pack_figure_%03d\xffpack\xffrouter\xffrelay\xffstairwell", s))
		v := float64(s)
		if s%5 < 2 {
			v = 20 + math.Sin(float64(i*s))
		}
		g.Values = append(g.Values, v)
	}
	return g
}

func add(t *testing.T, j *Journal, from, to, n int) {
	t.Helper()
	for i := from; i < to; i++ {
		if _, err := j.AddGathering(gather(i, n)); err != nil {
			t.Fatal(err)
		}
	}
}

// moved commits until what is in the tail is in its place.
func moved(t *testing.T, j *Journal) {
	t.Helper()
	for {
		if err := j.PutState("turn", j.tail.last); err != nil {
			t.Fatal(err)
		}
		if err := j.Flush(); err != nil {
			t.Fatal(err)
		}
		if j.tail.commits == 0 {
			return
		}
	}
}

// wantGatherings checks that the backlog holds exactly gatherings from..to-1 in order.
func wantGatherings(t *testing.T, j *Journal, boot string, from, to, n int) {
	t.Helper()
	i, after := from, uint64(0)
	for {
		gs, err := j.Gatherings(after, 10)
		if err != nil {
			t.Fatal(err)
		}
		if len(gs) == 0 {
			break
		}
		for _, g := range gs {
			want := gather(i, n)
			if g.Boot != boot || g.Up != want.Up || !slices.Equal(g.Series, want.Series) || !slices.Equal(g.Values, want.Values) || g.Seq <= after {
				t.Fatalf("gathering %d is number %d of boot %s at %v with %d series", i, g.Seq, g.Boot, g.Up, len(g.Series))
			}
			after = g.Seq
			i++
		}
	}
	if i != to {
		t.Fatalf("ends before gathering %d, want %d", i, to)
	}
}

func TestTheBacklogIsReadAsItWasAddedAndOverAPowerCut(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j.db")
	j := open(t, path, Options{Boot: "boot-1"})
	for i := 0; i < 60; i += 4 {
		add(t, j, i, i+4, 30)
		if i%12 == 0 {
			if err := j.Flush(); err != nil {
				t.Fatal(err)
			}
		}
	}
	wantGatherings(t, j, "boot-1", 0, 60, 30)
	cut := open(t, copyFile(t, path), Options{Boot: "boot-2"})
	wantGatherings(t, cut, "boot-1", 0, 52, 30)
	cut.Forget(13) // gatherings are numbered from 1
	add(t, cut, 52, 55, 30)
	if err := cut.Flush(); err != nil {
		t.Fatal(err)
	}
	again := open(t, copyFile(t, cut.path), Options{Boot: "boot-3"})
	for _, j := range []*Journal{cut, again} {
		gs, err := j.Gatherings(0, 1000)
		if err != nil || len(gs) != 42 || gs[0].Seq != 14 || gs[41].Boot != "boot-2" || gs[41].Seq != 55 || gs[38].Boot != "boot-1" {
			t.Fatalf("%d gatherings, %v", len(gs), err)
		}
	}
	moved(t, again) // of two boots at once
	if gs, err := again.Gatherings(0, 1000); err != nil || len(gs) != 42 || gs[41].Boot != "boot-2" || gs[38].Boot != "boot-1" {
		t.Fatalf("moved: %d gatherings, %v", len(gs), err)
	}
}

func TestWhatIsDeliveredBeforeTheBatchIsNeverWritten(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j.db")
	j := open(t, path, Options{})
	before, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	add(t, j, 0, 4, 100)
	j.Forget(4)
	if err := j.Flush(); err != nil {
		t.Fatal(err)
	}
	if after, err := os.ReadFile(path); err != nil || string(after) != string(before) {
		t.Error("the file was written for nothing", err)
	}
	if n, err := j.AddGathering(gather(9, 1)); err != nil || n != 5 {
		t.Error(n, err)
	}
}

func TestForgettingFreesTheFile(t *testing.T) {
	j := open(t, filepath.Join(t.TempDir(), "j.db"), Options{})
	for round := range 5 {
		for i := 0; i < 100; i += 4 {
			add(t, j, i, i+4, 50+round) // another table each round
			if err := j.Flush(); err != nil {
				t.Fatal(err)
			}
		}
		j.Forget(uint64((round + 1) * 100))
		moved(t, j)
		if s := j.Status(); s.Gatherings != 0 || s.SampleBytes != 0 || s.SamplesDropped != 0 {
			t.Errorf("status %+v", s)
		}
	}
	err := j.db.View(func(tx *bbolt.Tx) error {
		tables := tx.Bucket([]byte(bucketSeries)).Stats().KeyN
		if batches := tx.Bucket([]byte(bucketSamples)).Stats().KeyN; tables != 1 || batches != 0 {
			t.Errorf("%d tables and %d batches left", tables, batches)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

func TestBeyondItsSizeTheOldestSamplesGoAndAreCounted(t *testing.T) {
	j := open(t, filepath.Join(t.TempDir(), "j.db"), Options{MaxSampleBytes: 20 << 10, Boot: "b"})
	const total = 400
	for i := 0; i < total; i += 4 {
		add(t, j, i, i+4, 40)
		if err := j.Flush(); err != nil {
			t.Fatal(err)
		}
	}
	s := j.Status()
	if s.SampleBytes > 20<<10 || s.SampleBytes < 15<<10 || int(s.SamplesDropped)+s.Gatherings*40 != total*40 {
		t.Errorf("status %+v", s)
	}
	wantGatherings(t, j, "b", total-s.Gatherings, total, 40)
}

// A full file: records go on, the oldest samples make room, the newest are held.
func TestOnAFullDiskTheSamplesGoFirst(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j.db")
	j := open(t, path, Options{MaxBytes: 512 << 10, Boot: "b"})
	for i := 0; i < 4000; i += 4 {
		add(t, j, i, i+4, 40)
		j.Append(note("x"))
		if err := j.Flush(); err != nil {
			t.Fatalf("at gathering %d: %v", i, err)
		}
	}
	s := j.Status()
	if s.SamplesDropped == 0 || s.Dropped != 0 {
		t.Errorf("status %+v", s)
	}
	records, err := j.Records(Filter{})
	if err != nil || len(records) != 1000 {
		t.Fatalf("%d records, %v", len(records), err)
	}
	gs, err := j.Gatherings(0, 1<<20)
	if err != nil || len(gs) != s.Gatherings || gs[len(gs)-1].Seq != 4000 {
		t.Errorf("%d gatherings of %d, %v", len(gs), s.Gatherings, err)
	}
	if !slices.IsSortedFunc(gs, func(a, b Gathering) int { return cmp.Compare(a.Seq, b.Seq) }) {
		t.Error("out of order")
	}
	if int(s.SamplesDropped)+40*s.Gatherings != 40*4000 {
		t.Errorf("%d dropped and %d gatherings of 40 kept do not make 4000", s.SamplesDropped, s.Gatherings)
	}
}

func TestWhileTheFileCannotBeWrittenMemoryStaysBounded(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j.db")
	j := open(t, path, Options{MaxWaiting: 10, Boot: "b"})
	add(t, j, 0, 4, 5)
	if err := j.Flush(); err != nil {
		t.Fatal(err)
	}
	if err := j.db.Close(); err != nil { // stands for a disk that is gone
		t.Fatal(err)
	}
	for i := 4; i < 104; i++ {
		add(t, j, i, i+1, 5)
		if err := j.Flush(); err == nil {
			t.Fatal("written to a closed file")
		}
	}
	if s := j.Status(); s.SamplesDropped != 90*5 || s.Pending != 10 || s.LastError == "" {
		t.Errorf("status %+v", s)
	}
}

func TestAnOpenIncidentsRecordIsNeverRemoved(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j.db")
	opt := Options{MaxRecords: 100}
	j := open(t, path, opt)
	fill := func(n int) {
		t.Helper()
		for range n {
			if _, err := j.AppendNow(note("x")); err != nil {
				t.Fatal(err)
			}
		}
	}
	first := func() uint64 {
		t.Helper()
		records, err := j.Records(Filter{})
		if err != nil {
			t.Fatal(err)
		}
		return records[0].Seq
	}
	fill(50)
	if err := j.Protect(40); err != nil {
		t.Fatal(err)
	}
	fill(150)
	if got := first(); got != 40 {
		t.Errorf("the record begins with number %d", got)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	j = open(t, path, opt)
	fill(50)
	if got := first(); got != 40 {
		t.Errorf("after a restart the record begins with number %d", got)
	}
	if err := j.Protect(0); err != nil {
		t.Fatal(err)
	}
	fill(moveEvery)
	if got := first(); got < 150 {
		t.Errorf("the incident is over, and the record begins with number %d", got)
	}
}

func TestADecayedBatchIsLeftOutAndTheRestRemains(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j.db")
	j := open(t, path, Options{Boot: "b"})
	j.Append(note("stays"))
	for i := 0; i < 12; i += 4 {
		add(t, j, i, i+4, 5)
		moved(t, j)
	}
	spoil := func(bucket string, n uint64) {
		t.Helper()
		err := j.db.Update(func(tx *bbolt.Tx) error {
			b := tx.Bucket([]byte(bucket))
			v := slices.Clone(b.Get(key(n)))
			v[len(v)-1] ^= 0x10
			return b.Put(key(n), v)
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	spoil(bucketSamples, 8)
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	j = open(t, path, Options{Boot: "b"}) // it is not set aside
	gs, err := j.Gatherings(0, 100)
	if err != nil || len(gs) != 8 || gs[4].Seq != 9 {
		t.Fatalf("%d gatherings, %v", len(gs), err)
	}
	if got := texts(t, j, Filter{}); got != "1:stays" {
		t.Error(got)
	}
	spoil(bucketSeries, 0)
	if gs, err = j.Gatherings(0, 100); err != nil || len(gs) != 0 {
		t.Fatalf("%d gatherings, %v", len(gs), err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	j = open(t, path, Options{Boot: "b"})
	add(t, j, 12, 16, 5)
	if err := j.Flush(); err != nil {
		t.Fatal(err)
	}
	if gs, err = j.Gatherings(0, 100); err != nil || len(gs) != 4 || gs[0].Seq != 13 {
		t.Fatalf("%d gatherings, %v", len(gs), err)
	}
}

func TestAJournalFromBeforeTheBacklogIsOpened(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j.db")
	j := open(t, path, Options{Boot: "b"})
	j.Append(note("old"))
	moved(t, j)
	err := j.db.Update(func(tx *bbolt.Tx) error {
		return errors.Join(tx.DeleteBucket([]byte(bucketSamples)), tx.DeleteBucket([]byte(bucketSeries)), tx.DeleteBucket([]byte(bucketRecent)))
	})
	if err = errors.Join(err, j.Close()); err != nil {
		t.Fatal(err)
	}
	j = open(t, path, Options{Boot: "b"})
	add(t, j, 0, 4, 5)
	if err := j.Flush(); err != nil {
		t.Fatal(err)
	}
	wantGatherings(t, j, "b", 0, 4, 5)
	if got := texts(t, j, Filter{}); got != "1:old" {
		t.Error(got)
	}
}

func TestGatheringsOutOfBoundsAreRefused(t *testing.T) {
	j := open(t, filepath.Join(t.TempDir(), "j.db"), Options{})
	for name, g := range map[string]Gathering{
		"fewer figures":   {Series: []string{"a", "b"}, Values: []float64{1}},
		"no name":         {Series: []string{""}, Values: []float64{1}},
		"long name":       {Series: []string{strings.Repeat("x", maxSeriesBytes+1)}, Values: []float64{1}},
		"before the boot": {Up: -1},
		"too many":        {Series: make([]string, maxSeries+1), Values: make([]float64, maxSeries+1)},
	} {
		if _, err := j.AddGathering(g); err == nil {
			t.Errorf("%s was taken", name)
		}
	}
}
