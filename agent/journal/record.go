package journal

import (
	"encoding/json"
	"slices"
	"time"
)

// Kind says what a record is about. The journal stores any kind; these are the
// ones the agent writes.
type Kind string

const (
	KindAgent  Kind = "agent"   // the agent started or stopped
	KindAlarm  Kind = "alarm"   // an alarm was raised or cleared
	KindSwap   Kind = "swap"    // a pack was swapped, declared or detected
	KindNote   Kind = "note"    // an operator's words
	KindConfig Kind = "config"  // the configuration changed
	KindProbe  Kind = "probe"   // a probe's result
	KindSelf   Kind = "journal" // the journal about itself: records dropped
)

// Record is one entry of the activity record.
type Record struct {
	// Seq numbers the records in the order they were appended, from 1. Append
	// sets it. A gap says that records were dropped.
	Seq uint64 `json:"seq"`
	// Wall is the wall clock when it happened; it may be wrong on a board that
	// boots without a clock.
	Wall time.Time `json:"wall"`
	// Boot is the kernel's boot id, and Up the time since that boot: together
	// they order records however the wall clock jumped.
	Boot    string          `json:"boot"`
	Up      time.Duration   `json:"up_ns"`
	Kind    Kind            `json:"kind"`
	Subject string          `json:"subject,omitempty"` // pack, target or receiver name; "" for the board
	Who     string          `json:"who,omitempty"`     // who did it, where a person did
	Text    string          `json:"text"`              // words for people
	Data    json.RawMessage `json:"data,omitempty"`    // the figures, for machines
}

// Filter picks records. The zero Filter picks all that are kept.
type Filter struct {
	Since    time.Time `json:"since,omitzero"`      // wall clock, inclusive
	AfterSeq uint64    `json:"after_seq,omitempty"` // only records appended after this one: to follow the record
	Kinds    []Kind    `json:"kinds,omitempty"`     // any of these; empty is every kind
	Limit    int       `json:"limit,omitempty"`     // the newest Limit of the matching records; 0 is no limit
}

func (f Filter) matches(r Record) bool {
	return r.Seq > f.AfterSeq && !r.Wall.Before(f.Since) &&
		(len(f.Kinds) == 0 || slices.Contains(f.Kinds, r.Kind))
}
