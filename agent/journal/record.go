package journal

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"
)

// Kind says what a record is about. The journal stores any kind; these are the
// ones the agent writes.
type Kind string

const (
	KindAgent  Kind = "agent"      // the agent started or stopped
	KindAlarm  Kind = "alarm"      // an alarm was raised or cleared
	KindSwap   Kind = "swap"       // a pack was swapped, declared or detected
	KindNote   Kind = "note"       // an operator's words
	KindConfig Kind = "config"     // the configuration changed
	KindProbe  Kind = "probe"      // a probe's result
	KindFeed   Kind = "feed"       // the terminal's feed was switched, or somebody asked for it
	KindClock  Kind = "clock"      // somebody said what time it is
	KindTest   Kind = "alarm_test" // somebody tried the receivers
	KindSelf   Kind = "journal"    // the journal about itself: records dropped

	KindSensor  Kind = "sensor"     // a sensor could not be read, or can be again
	KindPack    Kind = "pack_state" // a pack began to discharge, charge, rest, or went
	KindLearned Kind = "learned"    // a discharge taught something of a pack
	KindOff     Kind = "board_off"  // the board is switched off before its pack is flat
	KindFault   Kind = "fault"      // a fault of the program

	KindIncident Kind = "incident" // the incident was opened, changed or closed
)

// Kinds lists every kind that is written.
func Kinds() []Kind {
	return []Kind{KindAgent, KindAlarm, KindSwap, KindNote, KindConfig, KindProbe, KindFeed, KindClock, KindTest, KindSelf, KindSensor, KindPack, KindLearned, KindOff, KindFault, KindIncident}
}

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
	Until    time.Time `json:"until,omitzero"`      // wall clock, exclusive; zero is no such bound
	AfterSeq uint64    `json:"after_seq,omitempty"` // only records appended after this one: to follow the record
	// BeforeSeq is to page back through more records than fit in one answer: only
	// records appended before this one; 0 is no such bound.
	BeforeSeq uint64 `json:"before_seq,omitempty"`
	Kinds     []Kind `json:"kinds,omitempty"` // any of these; empty is every kind
	// Subject is what the record must be about: the name of a pack, target or
	// receiver, which an alarm's record has beside the alarm's; "" is any.
	Subject string `json:"subject,omitempty"`
	Limit   int    `json:"limit,omitempty"` // the newest Limit of the matching records; 0 is no limit
}

func (f Filter) matches(r Record) bool {
	return r.Seq > f.AfterSeq && (f.BeforeSeq == 0 || r.Seq < f.BeforeSeq) && !r.Wall.Before(f.Since) && (f.Until.IsZero() || r.Wall.Before(f.Until)) &&
		(f.Subject == "" || slices.Contains(strings.Fields(r.Subject), f.Subject)) &&
		(len(f.Kinds) == 0 || slices.Contains(f.Kinds, r.Kind))
}

// bounded is the record within the journal's limits, sharing nothing with the
// caller. A record is worth keeping even where its figures are not.
func (r Record) bounded() Record {
	r.Text = clip(r.Text, maxTextBytes)
	if len(r.Data) > maxFigureBytes || len(r.Data) > 0 && !json.Valid(r.Data) {
		r.Text += fmt.Sprintf(" (%d bytes of figures could not be kept)", len(r.Data))
		r.Data = nil
	}
	r.Data = slices.Clone(r.Data)
	r.Subject, r.Who = clip(r.Subject, maxNameBytes), clip(r.Who, maxNameBytes)
	if y := r.Wall.Year(); y < 0 || y > 9999 { // JSON has no such time, and one record must not hold up the others
		r.Wall = time.Time{}
	}
	return r
}

func clip(text string, most int) string {
	if len(text) <= most {
		return text
	}
	return strings.ToValidUTF8(text[:most], "") + " …"
}
