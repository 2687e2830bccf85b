package journal

import (
	"encoding/binary"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"time"

	"go.etcd.io/bbolt"
)

const (
	bucketSeries  = "series"  // chapter number, 8 bytes big-endian → table of series
	bucketSamples = "samples" // number of a batch's last gathering, 8 bytes big-endian → batch
)

// Gathering is every exported series at one moment: one unit of the sample backlog.
type Gathering struct {
	// Seq numbers the gatherings in the order they were added.
	Seq uint64
	// Boot and Up say when it was, whatever the wall clock said. Up is kept to the millisecond.
	Boot string
	Up   time.Duration
	// Series are names and labels in a form of the caller's, each at most once,
	// and Values their figures.
	Series []string
	Values []float64
}

// backlog is the sample backlog; the journal's mu guards it.
type backlog struct {
	waiting []Gathering // to be committed, in order
	writing []Gathering // being committed
	next    uint64      // the last number handed out
	done    uint64      // up to here nothing is wanted any more
	noted   uint64      // what the file knows of done
	dropped uint64      // samples lost since Open to keep to the limits, or because the file could not be written or read

	// What the file holds. The commit, of which there is one at a time, changes it.
	stored stored
	table  *chapter // the newest
	index  map[string]int
}

// stored counts what the samples bucket holds.
type stored struct {
	first      uint64 // the lowest key; 0 where the bucket is empty
	gatherings int
	samples    int
	bytes      int64
}

// held counts the gatherings that are still wanted, with those in the tail. What
// was forgotten stays in the file for a while.
func (b *backlog) held(tail int) int {
	return min(b.stored.gatherings+tail+len(b.waiting)+len(b.writing), int(b.next-b.done))
}

// AddGathering adds g, of this boot, to the sample backlog with the next batch,
// and returns its number. It never waits. What finds no room while the file
// cannot be written is dropped, the oldest first, and counted.
func (j *Journal) AddGathering(g Gathering) (uint64, error) {
	if len(g.Series) != len(g.Values) || len(g.Series) > maxSeries || g.Up < 0 {
		return 0, fmt.Errorf("journal: keep samples: %d series, %d figures (at most %d are taken), uptime %v", len(g.Series), len(g.Values), maxSeries, g.Up)
	}
	for _, s := range g.Series {
		if s == "" || len(s) > maxSeriesBytes {
			return 0, fmt.Errorf("journal: keep samples: a series of %d bytes; 1 to %d are taken", len(s), maxSeriesBytes)
		}
	}
	g.Boot, g.Up = j.opt.Boot, g.Up.Truncate(upUnit)
	j.mu.Lock()
	defer j.mu.Unlock()
	j.samples.next++
	g.Seq = j.samples.next
	j.samples.waiting = append(j.samples.waiting, g)
	j.samples.bound(j.opt.MaxWaiting)
	return g.Seq, nil
}

// bound drops the oldest gatherings that wait to be committed.
func (b *backlog) bound(most int) {
	over := max(len(b.waiting)-most, 0)
	for _, g := range b.waiting[:over] {
		if g.Seq > b.done {
			b.dropped += uint64(len(g.Series))
		}
	}
	b.waiting = slices.Clone(b.waiting[over:])
}

// Forget says that the gatherings up to number seq are not wanted any more. They
// are removed from the file with the next batch; what was not yet in it never
// gets there.
func (j *Journal) Forget(seq uint64) {
	j.mu.Lock()
	defer j.mu.Unlock()
	b := &j.samples
	b.done = max(b.done, min(seq, b.next))
	b.waiting = slices.DeleteFunc(b.waiting, func(g Gathering) bool { return g.Seq <= b.done })
}

// Gatherings reads what the backlog holds after number after, oldest first: at
// least most gatherings where there are as many, and what else its last batch
// holds. Batches that cannot be read are left out and counted as dropped when they are forgotten.
func (j *Journal) Gatherings(after uint64, most int) ([]Gathering, error) {
	j.mu.Lock()
	after = max(after, j.samples.done)
	waiting := slices.Concat(j.tail.gatherings, j.samples.writing, j.samples.waiting)
	j.mu.Unlock()
	var out []Gathering
	err := guard(func() error {
		return j.db.View(func(tx *bbolt.Tx) (err error) {
			out, err = readGatherings(tx, after, most)
			return err
		})
	})
	if err != nil {
		return nil, fmt.Errorf("journal %s: read samples: %w", j.path, err)
	}
	if len(out) > 0 {
		after = out[len(out)-1].Seq
	}
	for _, g := range waiting {
		if g.Seq > after && len(out) < most {
			out = append(out, g)
			after = g.Seq
		}
	}
	return out, nil
}

func readGatherings(tx *bbolt.Tx, after uint64, most int) (out []Gathering, err error) {
	var table *chapter
	c := tx.Bucket([]byte(bucketSamples)).Cursor()
	for k, v := c.Seek(key(after + 1)); k != nil && len(out) < most; k, v = c.Next() {
		gs, err := readBatch(tx, k, v, &table)
		if err != nil {
			continue // one batch's decay must not hold up the others
		}
		for _, g := range gs {
			if g.Seq > after {
				out = append(out, g)
			}
		}
	}
	return out, nil
}

// readBatch reads one batch. table holds the chapter read last.
func readBatch(tx *bbolt.Tx, k, v []byte, table **chapter) ([]Gathering, error) {
	data, err := unseal(bucketSamples, k, v)
	if err != nil {
		return nil, err
	}
	head, _, err := decodeHead(data)
	if err != nil || len(k) != 8 {
		return nil, fmt.Errorf("batch %x: %w", k, err)
	}
	if *table == nil || (*table).number != head.chapter {
		if *table, err = readChapter(tx, head.chapter); err != nil {
			return nil, err
		}
	}
	return decodeBatch(*table, binary.BigEndian.Uint64(k), data)
}

func readChapter(tx *bbolt.Tx, number uint64) (*chapter, error) {
	data, err := unseal(bucketSeries, key(number), tx.Bucket([]byte(bucketSeries)).Get(key(number)))
	if err != nil {
		return nil, err
	}
	return decodeChapter(number, data)
}

func key(n uint64) []byte { return binary.BigEndian.AppendUint64(nil, n) }

// resumeSamples finds where the backlog in the file stands.
func (j *Journal) resumeSamples(tx *bbolt.Tx) {
	b := &j.samples
	k := []byte(keyDone)
	if data, err := unseal(bucketAbout, k, tx.Bucket([]byte(bucketAbout)).Get(k)); err == nil {
		b.done, _ = binary.Uvarint(data)
		b.next, b.noted = b.done, b.done
	}
	c := tx.Bucket([]byte(bucketSamples)).Cursor()
	for k, v := c.First(); k != nil; k, v = c.Next() {
		b.stored.add(k, v)
		if len(k) == 8 {
			b.next = max(b.next, binary.BigEndian.Uint64(k))
		}
	}
	if last, _ := tx.Bucket([]byte(bucketSeries)).Cursor().Last(); len(last) == 8 {
		number := binary.BigEndian.Uint64(last)
		table, err := readChapter(tx, number)
		if err != nil {
			table = &chapter{number: number} // decayed: the next batch begins another
		}
		b.table, b.index = table, indexOf(table.series)
	}
}

// resumeTail reads what the last commits before the start added.
func (j *Journal) resumeTail(tx *bbolt.Tx) error {
	var table *chapter
	c := tx.Bucket([]byte(bucketRecent)).Cursor()
	for k, v := c.First(); k != nil; k, v = c.Next() {
		if len(k) < 9 {
			return fmt.Errorf("key %x of %s", k, bucketRecent)
		}
		if n := binary.BigEndian.Uint64(k); n != j.tail.last {
			j.tail.last = n
			j.tail.commits++
		}
		data, err := unseal(bucketRecent, k, v)
		switch k[8] {
		case recentRecords:
			var rs []Record
			if err == nil {
				err = json.Unmarshal(data, &rs)
			}
			if err != nil {
				return err
			}
			j.tail.records = append(j.tail.records, rs...)
		case recentSamples:
			j.resumeTailBatch(tx, data, err, &table)
		}
	}
	if n := len(j.tail.records); n > 0 {
		j.next = max(j.next, j.tail.records[n-1].Seq)
	}
	return nil
}

// resumeTailBatch reads one batch of the tail; err is what its checksum said. One
// that has decayed costs only itself.
func (j *Journal) resumeTailBatch(tx *bbolt.Tx, data []byte, err error, table **chapter) {
	if err != nil || len(data) < 8 {
		return
	}
	last, data := binary.BigEndian.Uint64(data), data[8:]
	h, _, err := decodeHead(data)
	if err == nil && (*table == nil || (*table).number != h.chapter) {
		*table, err = readChapter(tx, h.chapter)
	}
	if err != nil {
		return
	}
	b := &j.samples
	gs, err := decodeBatch(*table, last, data)
	if err != nil || gs[0].Seq <= b.next && gs[0].Seq > b.done {
		return // not in order: it cannot have been written so
	}
	b.next = max(b.next, last)
	gs = slices.DeleteFunc(gs, func(g Gathering) bool { return g.Seq <= b.done })
	j.tail.gatherings = append(j.tail.gatherings, gs...)
}

// add counts a batch that stands, or will stand, last in the bucket.
func (s *stored) add(k, v []byte) {
	if s.first == 0 && len(k) == 8 {
		s.first = binary.BigEndian.Uint64(k)
	}
	h := headOf(k, v)
	s.gatherings += h.gatherings
	s.samples += h.samples
	s.bytes += int64(len(v))
}

// headOf is what a batch says of itself; nothing of one that has decayed.
func headOf(k, v []byte) batchHead {
	data, err := unseal(bucketSamples, k, v)
	if err != nil {
		return batchHead{}
	}
	h, _, err := decodeHead(data)
	if err != nil {
		return batchHead{}
	}
	return h
}

// sampleWrite is the part of a commit that concerns the backlog.
type sampleWrite struct {
	done     uint64
	maxBytes int64 // of the samples that stay; the oldest beyond are dropped
	boot     string

	stored  stored
	table   *chapter
	index   map[string]int
	dropped int // samples removed that were still wanted
}

// write puts gatherings in their place, and keeps to the limit.
func (w *sampleWrite) write(tx *bbolt.Tx, gs []Gathering) error {
	samples, series := tx.Bucket([]byte(bucketSamples)), tx.Bucket([]byte(bucketSeries))
	samples.FillPercent, series.FillPercent = 0.95, 0.95 // keys only grow
	for len(gs) > 0 {
		batch, taken, err := w.encode(tx, gs)
		if err != nil {
			return err
		}
		k := key(gs[taken-1].Seq)
		v := seal(bucketSamples, k, batch)
		if err := samples.Put(k, v); err != nil {
			return err
		}
		w.stored.add(k, v)
		gs = gs[taken:]
	}
	return w.remove(samples, series)
}

// encode makes a batch of as many of gs as one can hold: of one boot, numbered
// without a gap, their series in one table. It puts the table in the file where it is new.
func (w *sampleWrite) encode(tx *bbolt.Tx, gs []Gathering) (batch []byte, taken int, err error) {
	n := 1
	for n < min(len(gs), maxBatch) && gs[n].Boot == gs[0].Boot && gs[n].Seq == gs[n-1].Seq+1 {
		n++
	}
	gs = gs[:n]
	table, index := chapterFor(w.table, w.index, gs[0].Boot, gs)
	for len(table.series) > maxSeries { // of one gathering there are never as many
		gs = gs[:len(gs)/2]
		table, index = chapterFor(w.table, w.index, gs[0].Boot, gs)
	}
	if table != w.table {
		if err := putSealed(tx, bucketSeries, key(table.number), table.encode()); err != nil {
			return nil, 0, err
		}
		w.table, w.index = table, index
	}
	return encodeBatch(table, index, gs), len(gs), nil
}

// remove deletes what is done with, then the oldest beyond the limit, and the
// tables that nothing refers to any more.
func (w *sampleWrite) remove(samples, series *bbolt.Bucket) error {
	limit := w.maxBytes
	if w.stored.bytes > limit { // a thirty-second more, since each removal rewrites pages at the far end
		limit -= limit / 32
	}
	var gone [][]byte
	c := samples.Cursor()
	k, v := c.First()
	for ; k != nil; k, v = c.Next() {
		done := len(k) == 8 && binary.BigEndian.Uint64(k) <= w.done
		if !done && w.stored.bytes <= limit {
			break
		}
		h := headOf(k, v)
		if !done {
			w.dropped += h.samples
		}
		w.stored.gatherings -= h.gatherings
		w.stored.samples -= h.samples
		w.stored.bytes -= int64(len(v))
		gone = append(gone, slices.Clone(k))
	}
	if len(gone) == 0 {
		return nil
	}
	oldest := uint64(math.MaxUint64)
	w.stored.first = 0
	if len(k) == 8 {
		w.stored.first = binary.BigEndian.Uint64(k)
		if h := headOf(k, v); h.gatherings > 0 {
			oldest = h.chapter
		} else {
			oldest = 0 // cannot be told: keep all
		}
	}
	if w.table != nil {
		oldest = min(oldest, w.table.number)
	}
	for _, k := range gone {
		if err := samples.Delete(k); err != nil {
			return err
		}
	}
	return dropChapters(series, oldest)
}

func dropChapters(series *bbolt.Bucket, before uint64) error {
	var gone [][]byte
	c := series.Cursor()
	for k, _ := c.First(); len(k) == 8 && binary.BigEndian.Uint64(k) < before; k, _ = c.Next() {
		gone = append(gone, slices.Clone(k))
	}
	for _, k := range gone {
		if err := series.Delete(k); err != nil {
			return err
		}
	}
	return nil
}
