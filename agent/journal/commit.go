package journal

import (
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"go.etcd.io/bbolt"
	bolterrors "go.etcd.io/bbolt/errors"
	"golang.org/x/sys/unix"
)

// bucketRecent takes what each commit adds to record and backlog: number of the
// commit, 8 bytes big-endian, and a letter for what it is → Records, or (with a
// number, should one table of series not do) the last gathering's number and a batch.
//
// bbolt rewrites every page from a leaf to the root. The record is three levels
// deep, the backlog two: to put each commit's few lines there would take half of
// what may be written in a day. So they go to a small bucket first, and sixteen
// commits' worth is moved at once.
const bucketRecent = "recent"

const (
	recentRecords = 'r'
	recentSamples = 's'
	moveEvery     = 16  // commits
	moveRecords   = 256 // or sooner, since all are kept in memory until then

	keyProtected = "protected_from" // in the bucket about: the number Protect was given
	keyDone      = "delivered_to"   // the number Forget was given
)

// tail is what stands in the bucket recent. It is read from here, not from the file.
type tail struct {
	records    []Record
	gatherings []Gathering
	commits    int
	last       uint64 // number of the last commit
}

func recentKey(n uint64, what byte) []byte { return append(key(n), what) }

// Flush commits what waits and returns when the file is synchronised. Where that
// fails, state and record are tried again without the samples, which go first
// when the disk is full.
func (j *Journal) Flush() error {
	j.committing.Lock()
	defer j.committing.Unlock()
	j.mu.Lock()
	c := j.take()
	j.mu.Unlock()
	if c == nil {
		return nil
	}
	err := j.commit(c)
	var without error // why the samples were left out
	if err != nil && (len(c.fresh) > 0 || len(c.tail.gatherings) > 0 || c.samples.stored.bytes > 0) {
		without = err
		c.leaveSamples()
		if noRoom(err) {
			j.shed(c)
		}
		err = j.commit(c)
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.settle(c, err, without)
}

// FlushWithin is Flush for what must not wait for ever on a disk that hangs, such as
// an alarm: after most it returns errSlow, and the flush goes on.
func (j *Journal) FlushWithin(most time.Duration) error {
	done := make(chan error, 1)
	go func() { done <- j.Flush() }()
	timer := time.NewTimer(most)
	defer timer.Stop()
	select {
	case err := <-done:
		return err
	case <-timer.C:
		return errSlow
	}
}

var errSlow = errors.New("journal: the disk did not answer in time")

// noRoom says that an error is of a full disk or a full file.
func noRoom(err error) bool {
	return errors.Is(err, unix.ENOSPC) || errors.Is(err, unix.EDQUOT) || errors.Is(err, bolterrors.ErrMaxSizeReached)
}

// commit is one transaction: what goes in, and what came of it.
type commit struct {
	batch
	fresh []Gathering // that wait
	tail  tail        // as it is
	move  bool        // the tail to its places, too
	done  uint64
	since uint64
	most  int // records that stay

	start   sampleWrite // samples before the commit
	samples sampleWrite
	count   int // records in their bucket
	removed int
	lost    int // samples of the tail given up
}

// take collects what is to be committed, nil where there is nothing. The caller holds mu.
func (j *Journal) take() *commit {
	b := &j.samples
	b.waiting = slices.DeleteFunc(b.waiting, func(g Gathering) bool { return g.Seq <= b.done })
	c := &commit{batch: batch{j.states, j.records}, fresh: b.waiting, tail: j.tail, done: b.done, since: j.since, most: j.opt.MaxRecords, count: j.count}
	forgotten := b.stored.gatherings > 0 && b.stored.first <= b.done || len(j.tail.gatherings) > 0 && j.tail.gatherings[0].Seq <= b.done
	if c.empty() && len(c.fresh) == 0 && (!forgotten || b.done == b.noted) {
		return nil
	}
	c.tail.gatherings = slices.DeleteFunc(slices.Clone(j.tail.gatherings), func(g Gathering) bool { return g.Seq <= b.done })
	c.move = j.tail.commits+1 >= moveEvery || len(j.tail.records)+len(c.records) >= moveRecords
	c.start = sampleWrite{done: b.done, maxBytes: int64(j.opt.MaxSampleBytes), boot: j.opt.Boot, stored: b.stored, table: b.table, index: b.index}
	j.states, j.records, j.writing = map[stateKey][]byte{}, nil, c.batch
	b.waiting, b.writing = nil, c.fresh
	return c
}

func (j *Journal) commit(c *commit) error {
	return guard(func() error { return j.db.Update(c.write) })
}

func (c *commit) write(tx *bbolt.Tx) error {
	c.samples, c.removed = c.start, 0
	for k, v := range c.states {
		if v == nil {
			if err := tx.Bucket([]byte(k.bucket)).Delete([]byte(k.key)); err != nil {
				return err
			}
			continue
		}
		if err := putSealed(tx, k.bucket, []byte(k.key), v); err != nil {
			return err
		}
	}
	if c.done > 0 {
		if err := putSealed(tx, bucketAbout, []byte(keyDone), binary.AppendUvarint(nil, c.done)); err != nil {
			return err
		}
	}
	if c.move {
		return c.writeMoved(tx)
	}
	n := c.tail.last + 1
	if len(c.records) > 0 {
		data, err := json.Marshal(c.records)
		if err != nil {
			return fmt.Errorf("records: %w", err)
		}
		if err := putSealed(tx, bucketRecent, recentKey(n, recentRecords), data); err != nil {
			return err
		}
	}
	for i, gs := byte(0), c.fresh; len(gs) > 0; i++ {
		batch, taken, err := c.samples.encode(tx, gs)
		if err != nil {
			return err
		}
		if err := putSealed(tx, bucketRecent, append(recentKey(n, recentSamples), i), append(key(gs[taken-1].Seq), batch...)); err != nil {
			return err
		}
		gs = gs[taken:]
	}
	return nil
}

// writeMoved puts the tail and what is new in their places, and keeps to the limits.
func (c *commit) writeMoved(tx *bbolt.Tx) error {
	recent := tx.Bucket([]byte(bucketRecent))
	var gone [][]byte
	cur := recent.Cursor()
	for k, _ := cur.First(); k != nil; k, _ = cur.Next() {
		gone = append(gone, slices.Clone(k))
	}
	for _, k := range gone {
		if err := recent.Delete(k); err != nil {
			return err
		}
	}
	if err := c.samples.write(tx, slices.Concat(c.tail.gatherings, c.fresh)); err != nil {
		return err
	}
	records := tx.Bucket([]byte(bucketRecords))
	records.FillPercent = 0.95 // keys only ever grow, so a page once full is not split again
	all := slices.Concat(c.tail.records, c.records)
	for _, r := range all {
		data, err := json.Marshal(r)
		if err != nil {
			return fmt.Errorf("record %d: %w", r.Seq, err)
		}
		if err := putSealed(tx, bucketRecords, key(r.Seq), data); err != nil {
			return err
		}
	}
	count, excess := c.count+len(all), 0
	if count > c.most { // a fiftieth at a time, since each removal rewrites pages at the far end
		excess = min(count, count-c.most+c.most/50)
	}
	return c.trim(records, excess)
}

// trim removes the oldest excess records of those that are not protected.
func (c *commit) trim(records *bbolt.Bucket, excess int) error {
	oldest := make([][]byte, 0, excess)
	cur := records.Cursor()
	for k, _ := cur.First(); k != nil && len(oldest) < excess; k, _ = cur.Next() {
		if c.since > 0 && string(k) >= string(key(c.since)) {
			break
		}
		oldest = append(oldest, slices.Clone(k))
	}
	for _, k := range oldest {
		if err := records.Delete(k); err != nil {
			return err
		}
	}
	c.removed = len(oldest)
	return nil
}

func putSealed(tx *bbolt.Tx, bucket string, key, value []byte) error {
	return tx.Bucket([]byte(bucket)).Put(key, seal(bucket, key, value))
}

// leaveSamples takes the samples out of the commit: the new ones wait on, those
// that were to be moved are given up.
func (c *commit) leaveSamples() {
	c.fresh = nil
	if c.move {
		for _, g := range c.tail.gatherings {
			c.lost += len(g.Series)
		}
		c.tail.gatherings = nil
	}
}

// shed makes room by dropping an eighth of the samples in the file. It is a
// transaction of its own, since a full file has few pages to spare for one, and
// it frees those that the next needs. Where it fails, the next fails too and tells.
func (j *Journal) shed(c *commit) {
	w := c.start
	w.maxBytes = w.stored.bytes - w.stored.bytes/8 - 1
	err := guard(func() error {
		return j.db.Update(func(tx *bbolt.Tx) error { return w.write(tx, nil) })
	})
	if err != nil {
		return
	}
	c.start.stored = w.stored
	j.mu.Lock()
	defer j.mu.Unlock()
	j.samples.stored = w.stored
	j.samples.dropped += uint64(w.dropped)
}

// settle takes note of how a commit went. The caller holds mu.
func (j *Journal) settle(c *commit, err, without error) error {
	b := &j.samples
	if without != nil || err != nil { // the samples wait on
		b.waiting = append(b.writing, b.waiting...)
	}
	b.writing = nil
	j.writing, j.err = batch{}, nil
	defer b.bound(j.opt.MaxWaiting)
	if without != nil {
		j.err = fmt.Errorf("journal %s: write samples: %w", j.path, without)
	}
	if err != nil {
		j.err = fmt.Errorf("journal %s: write: %w", j.path, err)
		maps.Copy(c.states, j.states) // what came meanwhile is newer
		j.states, j.records = c.states, append(c.records, j.records...)
		j.bound()
		return j.err
	}
	j.synced = time.Now()
	if c.move {
		j.count += len(c.tail.records) + len(c.records) - c.removed
		j.removed += uint64(c.removed)
		j.tail = tail{last: c.tail.last}
	} else {
		j.tail = c.tail
		j.tail.records = append(slices.Clip(j.tail.records), c.records...)
		j.tail.gatherings = append(j.tail.gatherings, c.fresh...)
		j.tail.commits++
		j.tail.last++
	}
	b.stored, b.table, b.index, b.noted = c.samples.stored, c.samples.table, c.samples.index, c.done
	b.dropped += uint64(c.samples.dropped + c.lost)
	if j.untold > 0 { // told only now: a record of its own would have pushed out another while the disk was full
		j.next++
		j.records = append(j.records, Record{
			Seq: j.next, Wall: j.synced, Boot: j.opt.Boot, Kind: KindSelf,
			Text: fmt.Sprintf("%d records were dropped while the journal could not be written", j.untold),
		})
		j.untold = 0
	}
	return nil
}
