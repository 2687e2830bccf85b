package journal

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"sync"
	"time"

	"go.etcd.io/bbolt"

	"candlemark/agent/status"
)

const (
	bucketAbout    = "about"    // format
	bucketPacks    = "packs"    // pack name → state
	bucketProfiles = "profiles" // pack identity → profile
	bucketState    = "state"    // the agent's own
	bucketRecords  = "records"  // sequence number, 8 bytes big-endian → Record
)

const (
	maxStateBytes  = 1 << 20 // of one value
	maxStateKeys   = 1024    // waiting at once
	maxTextBytes   = 4 << 10
	maxFigureBytes = 64 << 10
	maxNameBytes   = 256
)

type stateKey struct{ bucket, key string }

// Journal is an open journal. Its methods may be called from many goroutines.
type Journal struct {
	path  string
	opt   Options
	db    *bbolt.DB
	hurry chan struct{} // asks Run to commit now; holds one request

	committing sync.Mutex // held over a commit, so that there is one at a time

	mu      sync.Mutex
	states  map[stateKey][]byte // waiting to be committed, the newest of each key; nil removes it
	records []Record            // waiting to be committed, in order
	writing batch               // being committed; still to be read from here
	next    uint64              // the last sequence number handed out
	count   int                 // records in the file
	since   uint64              // records from here on are not removed; 0 is no such
	samples backlog
	tail    tail
	dropped uint64 // records lost since Open because the file could not be written
	untold  uint64 // of these, not yet said in the record
	removed uint64 // records removed since Open to keep to MaxRecords
	synced  time.Time
	err     error // of the last commit
}

type batch struct {
	states  map[stateKey][]byte
	records []Record
}

// Protect keeps the records from number since on whatever MaxRecords says, over a
// restart too: they are of an incident that is open. 0 ends it.
func (j *Journal) Protect(since uint64) error {
	if err := j.put(bucketAbout, keyProtected, since); err != nil {
		return err
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	j.since = since
	return nil
}

func (b batch) empty() bool { return len(b.states) == 0 && len(b.records) == 0 }

// PutPackState keeps v, as JSON, as the state of the pack of this name. It is
// committed with the next batch; only the newest value of a key is written.
func (j *Journal) PutPackState(name string, v any) error { return j.put(bucketPacks, name, v) }

// PutProfile keeps what was learned about the pack of this identity.
func (j *Journal) PutProfile(identity string, v any) error { return j.put(bucketProfiles, identity, v) }

// PutState keeps a state of the agent's own.
func (j *Journal) PutState(key string, v any) error { return j.put(bucketState, key, v) }

// RemoveState removes a state of the agent's own with the next batch.
func (j *Journal) RemoveState(key string) { j.remove(stateKey{bucketState, key}) }

func (j *Journal) remove(k stateKey) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.states[k] = nil
}

func (j *Journal) put(bucket, key string, v any) error {
	data, err := json.Marshal(v)
	switch {
	case err != nil:
	case key == "" || len(key) > 256:
		err = fmt.Errorf("key is %d bytes long; 1 to 256 are taken", len(key))
	case len(data) > maxStateBytes:
		err = fmt.Errorf("value is %d bytes long; %d are taken", len(data), maxStateBytes)
	}
	if err != nil {
		return fmt.Errorf("journal: keep %s %q: %w", bucket, key, err)
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	k := stateKey{bucket, key}
	if _, waiting := j.states[k]; !waiting && j.values() >= maxStateKeys {
		return fmt.Errorf("journal: keep %s %q: %d values wait to be written already", bucket, key, maxStateKeys)
	}
	j.states[k] = data
	return nil
}

// values is how many values wait to be written. Removals are not bounded: they take
// no more than what they remove. The caller holds mu.
func (j *Journal) values() (n int) {
	if len(j.states) < maxStateKeys {
		return len(j.states) // at most: near enough
	}
	for _, data := range j.states {
		if data != nil {
			n++
		}
	}
	return n
}

// Append adds r to the activity record with the next batch, and returns it with
// its sequence number. It never waits: what finds no room is dropped, the oldest
// first, and counted. A text beyond 4 KiB is cut; figures that are not JSON or
// beyond 64 KiB are left out, and the text says so.
func (j *Journal) Append(r Record) Record {
	r = r.bounded()
	if r.Boot == "" {
		r.Boot = j.opt.Boot
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	j.next++
	r.Seq = j.next
	j.records = append(j.records, r)
	j.bound()
	return r
}

// bound drops the oldest records that wait. The caller holds mu.
func (j *Journal) bound() {
	if over := len(j.records) - j.opt.MaxPending; over > 0 {
		j.records = append([]Record(nil), j.records[over:]...)
		j.dropped += uint64(over)
		j.untold += uint64(over)
	}
}

// AppendNow adds r and commits everything that waits. It returns when the file is
// synchronised; after an error the record is kept and tried again.
func (j *Journal) AppendNow(r Record) (Record, error) {
	r = j.Append(r)
	return r, j.Flush()
}

// Hurry asks Run to commit now instead of with the next batch, and does not wait.
func (j *Journal) Hurry() {
	select {
	case j.hurry <- struct{}{}:
	default: // asked already
	}
}

// Run commits what waits every BatchEvery until ctx ends, and then a last time.
// A commit that fails shows in Status and is tried again; only the failure of
// the last one is returned, since nobody will try it again.
func (j *Journal) Run(ctx context.Context) error {
	tick := time.NewTicker(j.opt.BatchEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return j.Flush()
		case <-tick.C:
		case <-j.hurry:
		}
		_ = j.Flush() // kept in Status
	}
}

// Status is how the journal fares.
func (j *Journal) Status() status.Journal {
	j.mu.Lock()
	defer j.mu.Unlock()
	s := status.Journal{
		Path: j.path,
		Pending: len(j.states) + len(j.records) + len(j.writing.states) + len(j.writing.records) +
			len(j.samples.waiting) + len(j.samples.writing),
		LastSync: j.synced,
		Dropped:  j.dropped,
		Removed:  j.removed,

		Gatherings:     j.samples.held(len(j.tail.gatherings)),
		SampleBytes:    j.samples.stored.bytes,
		SamplesDropped: j.samples.dropped,
	}
	if j.err != nil {
		s.LastError = j.err.Error()
	}
	return s
}

// Close commits what waits and frees the file. Nothing may be written after it.
func (j *Journal) Close() error {
	err := j.Flush()
	j.committing.Lock()
	defer j.committing.Unlock()
	return errors.Join(err, j.db.Close())
}
