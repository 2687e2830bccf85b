package journal

import (
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime/debug"
	"time"

	"go.etcd.io/bbolt"
)

// Options are the journal's bounds; the zero value takes the defaults.
type Options struct {
	BatchEvery  time.Duration // how often batched writes are committed; default 45 s, which writes 39 MB a day, 56 MB while samples are held (BenchmarkDay, BenchmarkDayOffline); at most a minute
	LockTimeout time.Duration // how long Open waits for another process to let go; default 2 s
	MaxRecords  int           // records kept; the oldest beyond are removed, within 16 commits; default 100,000
	MaxPending  int           // records held in memory while the file cannot be written; default 4,096
	MaxBytes    int           // largest size of the file, bytes; default 0 is no limit
	// MaxSampleBytes is what the samples held for forwarding may take; the oldest
	// beyond are dropped. Default 24 MiB, four times what 72 h of 100 series each 15 s take (BenchmarkDayOffline).
	MaxSampleBytes int
	MaxWaiting     int // gatherings held in memory while the file cannot be written; default 128
	// Boot is the kernel's boot id, which Append fills in where a record has none.
	Boot string
}

func (o Options) withDefaults() (Options, error) {
	if o.BatchEvery == 0 {
		o.BatchEvery = 45 * time.Second
	}
	if o.LockTimeout == 0 {
		o.LockTimeout = 2 * time.Second
	}
	if o.MaxRecords == 0 {
		o.MaxRecords = 100_000
	}
	if o.MaxPending == 0 {
		o.MaxPending = 4096
	}
	if o.MaxSampleBytes == 0 {
		o.MaxSampleBytes = 24 << 20
	}
	if o.MaxWaiting == 0 {
		o.MaxWaiting = 128
	}
	if o.BatchEvery < 0 || o.BatchEvery > time.Minute || o.LockTimeout < 0 || o.MaxRecords < 0 || o.MaxPending < 0 || o.MaxBytes < 0 || o.MaxSampleBytes < 0 || o.MaxWaiting < 0 {
		return o, fmt.Errorf("options are out of range: %+v", o)
	}
	return o, nil
}

// DamagedError says that the file at Path could not be trusted, was renamed to
// MovedTo, and that a fresh journal was begun. Open returns it together with a
// working Journal.
type DamagedError struct {
	Path, MovedTo string
	Cause         error
}

func (e *DamagedError) Error() string {
	return fmt.Sprintf("journal %s is damaged (%v); it was set aside as %s and a fresh one was begun: what it held about packs, alarms and the record is not carried on", e.Path, e.Cause, e.MovedTo)
}

func (e *DamagedError) Unwrap() error { return e.Cause }

// errUnsound is a fault inside bbolt, which trusts its file and panics where it should not have.
var errUnsound = errors.New("the file is unsound")

// guard turns a panic of bbolt into an error, and with it a page of the file
// that the disk no longer gives (a memory fault, which would end the process).
func guard(f func() error) (err error) {
	before := debug.SetPanicOnFault(true)
	defer debug.SetPanicOnFault(before)
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("%w: %v", errUnsound, p)
		}
	}()
	return f()
}

// Open opens the journal at path, whose directory must exist, and creates it
// with mode 0600 where there is none. With a *DamagedError it returns a journal
// all the same. It starts nothing: Run commits.
func Open(path string, opt Options) (*Journal, error) {
	opt, err := opt.withDefaults()
	if err != nil {
		return nil, fmt.Errorf("journal %s: %w", path, err)
	}
	switch dir, err := os.Stat(filepath.Dir(path)); {
	case err != nil:
		return nil, fmt.Errorf("journal %s: its directory: %w", path, err)
	case !dir.IsDir():
		return nil, fmt.Errorf("journal %s: %s is not a directory", path, filepath.Dir(path))
	}
	var damaged *DamagedError
	for {
		j, cause, err := openSound(path, opt)
		if err != nil {
			return nil, fmt.Errorf("journal %s: %w", path, err)
		}
		if cause == nil {
			if damaged != nil {
				return j, damaged
			}
			return j, nil
		}
		if damaged != nil { // the fresh file too: the disk is at fault
			return nil, fmt.Errorf("journal %s: even a fresh file is damaged: %w", path, cause)
		}
		moved, err := setAside(path, time.Now())
		if err != nil {
			return nil, fmt.Errorf("journal %s is damaged (%w) and cannot be set aside: %w", path, cause, err)
		}
		damaged = &DamagedError{Path: path, MovedTo: moved, Cause: cause}
	}
}

// openSound opens the file unless it is damaged; then it says how.
func openSound(path string, opt Options) (j *Journal, damage, err error) {
	file, err := lock(path, opt.LockTimeout)
	if err != nil {
		return nil, nil, err
	}
	info, err := file.Stat()
	if err == nil && info.Size() > 0 {
		damage = checkFile(file, info.Size())
		var hardware *fs.PathError
		if errors.As(damage, &hardware) { // could not be read, which is no proof of damage
			damage, err = nil, damage
		}
	}
	if err != nil || damage != nil {
		return nil, damage, errors.Join(err, file.Close())
	}
	j = &Journal{path: path, opt: opt, hurry: make(chan struct{}, 1), states: map[stateKey][]byte{}}
	err = guard(func() error {
		j.db, err = bbolt.Open(path, 0o600, &bbolt.Options{
			PageSize:       pageSize,
			NoFreelistSync: true, // the free pages are found at each start: nothing there that could decay unseen
			FreelistType:   bbolt.FreelistMapType,
			MaxSize:        opt.MaxBytes,
			NoStatistics:   true,
			Timeout:        opt.LockTimeout,
			// bbolt goes on with the file that is already locked and checked.
			OpenFile: func(string, int, os.FileMode) (*os.File, error) { return file, nil },
		})
		if err != nil {
			return err
		}
		return j.prepare()
	})
	switch {
	case errors.Is(err, errUnsound):
		return nil, err, file.Close() // which frees the lock; the mapping is left behind
	case err != nil:
		if j.db != nil {
			err = errors.Join(err, j.db.Close())
		}
		return nil, nil, err
	}
	if info.Size() == 0 {
		if err := syncDir(path); err != nil {
			return nil, nil, errors.Join(err, j.db.Close())
		}
	}
	return j, nil, nil
}

// format is the version of what the buckets hold.
const format = "1"

// prepare makes the buckets and finds where the record stands.
func (j *Journal) prepare() error {
	fresh, older := false, false
	err := j.db.View(func(tx *bbolt.Tx) error {
		about := tx.Bucket([]byte(bucketAbout))
		if about == nil {
			fresh = true
			return nil
		}
		version, err := unseal(bucketAbout, []byte("format"), about.Get([]byte("format")))
		if err != nil || string(version) != format {
			return fmt.Errorf("written in format %q, which this version does not know (it knows %s): use the version that wrote it or move the file away", version, format)
		}
		records := tx.Bucket([]byte(bucketRecords))
		if records == nil {
			return fmt.Errorf("has no bucket %s", bucketRecords)
		}
		c := records.Cursor()
		if last, _ := c.Last(); len(last) == 8 {
			j.next = binary.BigEndian.Uint64(last)
		}
		for k, _ := c.First(); k != nil; k, _ = c.Next() {
			j.count++
		}
		if value := about.Get([]byte(keyProtected)); value != nil {
			data, err := unseal(bucketAbout, []byte(keyProtected), value)
			if err == nil {
				err = json.Unmarshal(data, &j.since)
			}
			if err != nil {
				return fmt.Errorf("%s: %w", keyProtected, err)
			}
		}
		if tx.Bucket([]byte(bucketSamples)) == nil || tx.Bucket([]byte(bucketSeries)) == nil || tx.Bucket([]byte(bucketRecent)) == nil {
			older = true
			return nil
		}
		older = tx.Bucket([]byte(bucketQueues)) == nil
		j.resumeSamples(tx)
		return j.resumeTail(tx)
	})
	if err != nil || !fresh && !older {
		return err
	}
	return j.db.Update(func(tx *bbolt.Tx) error {
		for _, name := range []string{bucketAbout, bucketPacks, bucketProfiles, bucketState, bucketRecords, bucketSeries, bucketSamples, bucketRecent, bucketQueues} {
			if _, err := tx.CreateBucketIfNotExists([]byte(name)); err != nil {
				return err
			}
		}
		return tx.Bucket([]byte(bucketAbout)).Put([]byte("format"), seal(bucketAbout, []byte("format"), []byte(format)))
	})
}

// setAside renames a damaged file so that nothing is ever thrown away.
func setAside(path string, now time.Time) (moved string, err error) {
	stamp := path + ".damaged-" + now.UTC().Format("20060102T150405Z")
	for i := 1; ; i++ {
		moved = stamp
		if i > 1 { // a board without a clock dates all its damage alike
			moved = fmt.Sprintf("%s-%d", stamp, i)
		}
		if _, err := os.Lstat(moved); errors.Is(err, fs.ErrNotExist) {
			break
		} else if err != nil {
			return "", err
		}
	}
	if err := os.Rename(path, moved); err != nil {
		return "", err
	}
	return moved, syncDir(path)
}

// syncDir makes a file's name as durable as its content.
func syncDir(path string) error {
	dir, err := os.Open(filepath.Dir(path))
	if err != nil {
		return err
	}
	return errors.Join(dir.Sync(), dir.Close())
}
