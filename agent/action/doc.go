// Package action is what an operator may tell the running agent to do: swap, note,
// feed, ack, time, probe, survey. Every action is carried out here, whichever way it came: over the local
// socket (package control) or over HTTP with a token (package httpd). Each of these
// finds out who asks; this package reads the request, refuses what cannot be right,
// and answers.
//
// A request is a JSON object of at most 8 KiB without unknown keys, posted to a path
// that ends in the action's name. The answer is a JSON object too: words that say
// what follows, or error, which says why not.
//
// Limits: an action that was carried out but could not be written to the disk is
// answered with ErrNotKept, and not undone.
package action

import (
	"errors"
	"fmt"
	"time"

	"candlemark/agent/feed"
	"candlemark/agent/surveyor"
	"candlemark/probes"
	"candlemark/probes/survey"
)

// Names of the actions, as they end a path.
const (
	Swap   = "swap"
	Note   = "note"
	Feed   = "feed"
	Ack    = "ack"
	Time   = "time"
	Probe  = "probe"
	Survey = "survey"
)

const (
	maxBody = 8 << 10
	maxText = 4 << 10 // of a note, bytes
	maxMark = 64      // of what is written on a pack, bytes
	maxNote = 400     // of each text of a survey, bytes

	maxSettle = time.Hour
)

// Handler is the running agent. Its methods are called from many goroutines at
// once; what they refuse they say in words. who names the person, for the record.
type Handler interface {
	// Packs are the configured packs' names.
	Packs() []string
	// Swap records that another pack now stands where pack is configured; mark is
	// what is written on it, "" when it is unmarked.
	Swap(pack, mark string, sure bool, who string) error
	// Note adds an operator's words to the record.
	Note(text, who string) error
	// Probe has a configured probe made next, however busy the link, and returns in
	// words what follows.
	Probe(name, who string) (string, error)
	// Survey asks something of the survey, and returns in words what follows.
	Survey(r surveyor.Request, who string) (string, error)
	// Feed asks something of the terminal's feed, and returns in words what follows.
	Feed(r feed.Request, who string) (string, error)
	// SetTime takes the person's word for the present time of day, and returns in words
	// what follows.
	SetTime(now time.Time, who string) (string, error)
	// Acknowledge quiets the active alarms of this name, of one subject or, with "",
	// of every one, for quiet or, with 0, as long as the alarm allows; it returns in
	// words what follows.
	Acknowledge(name, subject string, quiet time.Duration, who string) (string, error)
}

// ErrNotKept says that an action was carried out, but may be forgotten over a power
// cut because the journal could not be written.
var ErrNotKept = errors.New("done, but not yet kept on the disk")

// The requests.
type (
	SwapRequest struct {
		Pack string `json:"pack"`
		Mark string `json:"mark,omitempty"`
		Sure bool   `json:"sure,omitempty"` // though the readings do not show it
	}
	NoteRequest struct {
		Text string `json:"text"`
	}
	AckRequest struct {
		Alarm   string `json:"alarm"`
		Subject string `json:"subject,omitempty"`
		For     Span   `json:"for,omitzero"`
	}
	// TimeRequest is the time of day at the moment it is sent.
	TimeRequest struct {
		Now time.Time `json:"now"` // RFC 3339, with its zone
	}
	ProbeRequest struct {
		Name string `json:"name"`
	}
	// SurveyRequest has what is wanted of a survey; all but do, and name to begin, may
	// be left out.
	SurveyRequest struct {
		Do           surveyor.Do     `json:"do"`
		Name         string          `json:"name,omitempty"`
		Arrangements []string        `json:"arrangements,omitempty"`
		Rounds       int             `json:"rounds,omitempty"`
		More         int             `json:"more,omitempty"`
		Order        survey.Order    `json:"order,omitempty"`
		Primary      survey.Question `json:"primary,omitempty"`
		Section      probes.Section  `json:"section,omitempty"`
		Threshold    float64         `json:"threshold,omitempty"`
		Place        string          `json:"place,omitempty"`
		Settle       Span            `json:"settle,omitzero"`
		Changed      string          `json:"changed,omitempty"` // when it goes on
	}
	// FeedRequest has its times as people write them: "45m".
	FeedRequest struct {
		Do    feed.Action `json:"do"`
		For   Span        `json:"for,omitzero"`   // of an off
		On    Span        `json:"on,omitzero"`    // of a schedule
		Every Span        `json:"every,omitzero"` // of a schedule
	}
)

// Span is a length of time, as text with its unit.
type Span time.Duration

// MarshalText implements encoding.TextMarshaler.
func (s Span) MarshalText() ([]byte, error) { return []byte(time.Duration(s).String()), nil }

// UnmarshalText implements encoding.TextUnmarshaler.
func (s *Span) UnmarshalText(text []byte) error {
	d, err := time.ParseDuration(string(text))
	if err != nil {
		return fmt.Errorf("%q is not a time; write it with its unit, such as 45m", text)
	}
	*s = Span(d)
	return nil
}

// SurveyRequestOf is r as it is sent.
func SurveyRequestOf(r surveyor.Request) SurveyRequest {
	w := r.Wanted
	return SurveyRequest{
		Do: r.Do, Name: w.Name, Arrangements: w.Arrangements, Rounds: w.Rounds, More: w.More, Order: w.Order, Primary: w.Primary,
		Section: w.Section, Threshold: w.Threshold, Place: w.Place, Settle: Span(r.Settle), Changed: r.Changed,
	}
}

// FeedRequestOf is r as it is sent.
func FeedRequestOf(r feed.Request) FeedRequest {
	return FeedRequest{Do: r.Do, For: Span(r.For), On: Span(r.Schedule.On), Every: Span(r.Schedule.Every)}
}

// Answer is what comes back: one of the two is set.
type Answer struct {
	Words string `json:"words,omitempty"`
	Error string `json:"error,omitempty"`
}
