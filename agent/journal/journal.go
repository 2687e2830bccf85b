// Package journal keeps what must survive a power cut. (Package comment follows with the code.)
package journal

import (
	"context"
	"errors"
	"time"

	"candlemark/agent/status"
)

// Options are the journal's bounds; the zero value takes the defaults.
type Options struct {
	BatchEvery  time.Duration // how often batched writes are committed; default 30 s
	LockTimeout time.Duration // how long Open waits for another process to let go; default 2 s
	MaxRecords  int           // records kept; the oldest beyond are removed; default 100,000
	MaxPending  int           // records held in memory while the file cannot be written; default 4,096
	// Boot and Started place records in time; Append fills a record's Boot from it.
	Boot string
}

// DamagedError says that the file at Path could not be trusted, was renamed to
// MovedTo, and that a fresh journal was begun. Open returns it together with a
// working Journal.
type DamagedError struct {
	Path, MovedTo string
	Cause         error
}

func (e *DamagedError) Error() string { return "" }
func (e *DamagedError) Unwrap() error { return e.Cause }

// ErrLocked is returned when another process holds the journal.
var ErrLocked = errors.New("held by another process")

// Journal is an open journal.
type Journal struct{}

var errTodo = errors.New("not written yet")

func Open(path string, opt Options) (*Journal, error)                   { return nil, errTodo }
func (j *Journal) PutPackState(name string, v any) error                { return errTodo }
func (j *Journal) PackState(name string, into any) (ok bool, err error) { return false, errTodo }
func (j *Journal) PutProfile(id string, v any) error                    { return errTodo }
func (j *Journal) Profile(id string, into any) (ok bool, err error)     { return false, errTodo }
func (j *Journal) PutState(key string, v any) error                     { return errTodo }
func (j *Journal) State(key string, into any) (ok bool, err error)      { return false, errTodo }
func (j *Journal) Append(r Record) Record                               { return r }
func (j *Journal) AppendNow(r Record) (Record, error)                   { return r, errTodo }
func (j *Journal) Records(f Filter) ([]Record, error)                   { return nil, errTodo }
func (j *Journal) Flush() error                                         { return errTodo }
func (j *Journal) Run(ctx context.Context) error                        { return errTodo }
func (j *Journal) Status() status.Journal                               { return status.Journal{} }
func (j *Journal) Close() error                                         { return errTodo }
func BootID() (string, error)                                           { return "", errTodo }
