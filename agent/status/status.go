// Package status holds the picture of the whole agent at one moment: plain data
// that the step produces and that metrics, the page and the control socket show.
// It decides nothing.
package status

import (
	"time"

	"candlemark/agent/alarm"
	"candlemark/agent/feed"
	"candlemark/agent/pack"
	"candlemark/probes"
	"candlemark/probes/quality"
	"candlemark/sensors"
)

// Snapshot is the agent at one moment. It shares nothing with the agent's own
// state, so its readers need no lock.
type Snapshot struct {
	Relay, Site string
	Taken       alarm.Instant
	Started     time.Time
	ClockSet    bool
	ClockSource string // who knows the time of day; "" while nobody does
	Packs       []Pack
	Targets     []Target
	Trouble     Trouble
	Fit         []quality.Verdict // what the link is good enough for; empty until it was measured
	Alarms      []alarm.Active
	Receivers   []Receiver
	Known       []KnownPack
	Data        Data
	Energy      Energy
	Survey      *Survey // under way, or how the last one ended; nil before the first
	Journal     Journal
	Forward     *Forward // nil where nothing is forwarded
	Feed        *Feed    // nil where no feed is configured
	Pages       Pages
}

// Pages counts the status pages that are told as things change.
type Pages struct {
	Open    int
	Refused uint64 // for want of room, since the agent started; these ask instead
	Dropped uint64 // too slow, since the agent started
}

// Feed is the terminal's feed.
type Feed struct {
	Pack string // the configured pack that it hangs on
	feed.View
}

// FeedChange is the time of day at which the feed next changes, where both are known.
func (s Snapshot) FeedChange() (at time.Time, known bool) {
	if s.Feed == nil || !s.Feed.ChangeKnown || !s.ClockSet {
		return time.Time{}, false
	}
	return s.Taken.Wall.Add(s.Feed.ChangeIn), true
}

// FeedOff is the terminal's feed while it is off, where it hangs on the pack of that
// name. Without a switch nobody knows whether the advice was followed.
func (s Snapshot) FeedOff(pack string) (f Feed, off bool) {
	if s.Feed == nil || s.Feed.Pack != pack || s.Feed.On || !s.Feed.Switched {
		return Feed{}, false
	}
	return *s.Feed, true
}

// Pack is one pack as last seen.
type Pack struct {
	Name         string
	Mark         string // what is written on the pack that is in place; "" when it is unmarked
	SensorName   string
	Spec         pack.Spec
	Leads        alarm.Leads
	Reading      sensors.Reading // valid where ReadingKnown; kept after it went stale
	ReadingKnown bool
	ReadingUp    time.Duration // when the last good reading ended, on Taken.Up's time line
	Stale        bool
	Forecast     pack.Forecast
	Sensor       SensorCounts
	DischargedC  float64 // coulombs drawn since the agent started
	DischargedJ  float64 // joules drawn since the agent started
	Swaps        uint64
	LastError    string // what the sensor last complained of; "" after a good reading
}

// KnownPack is a pack that was learned, wherever it is now.
type KnownPack struct {
	Identity   string // its mark, or the place whose unmarked packs it stands for
	Place      string // the configured pack in whose place it is now; "" when it is not in use
	LabelAh    float64
	Discharges int     // learned
	LastAh     float64 // drawn in the last whole discharge; valid where LastKnown
	LastKnown  bool
	Verdict    pack.Verdict
	Why        string // the reason for the verdict, with its figures
}

// SensorCounts are the sensor's counters since the agent started.
type SensorCounts struct {
	Reads, Errors, Repairs uint64
}

// Target is one probe target as last seen.
type Target struct {
	Name     string
	Section  probes.Section
	Kind     probes.Kind
	Attempts uint64
	Failures uint64 // probes that could not measure
	Sent     uint64 // packets, latency only
	Lost     uint64
	Bytes    uint64
	Spent    time.Duration // on all probes
	RTTs     Histogram     // latency only
	Forward  DirectionSum  // latency, where the method tells the directions apart
	Backward DirectionSum
	// Last is the last probe that measured something; valid where LastKnown.
	Last      probes.Result
	LastKnown bool
	LastOld   bool   // Last is of an earlier probe: the newest measured nothing
	LastError string // why the newest probe could not measure, or one of its directions; "" when it did
	// NotRun says why a probe is being held back ("" when it is not): "data budget
	// spent", "pack below reserve", "waits for a quiet link: …".
	NotRun string
	Energy ProbeEnergy
}

// Histogram counts the round trips of all probes since the agent started in the
// buckets of probes.RTTBounds.
type Histogram struct {
	Counts []uint64 // of each bucket, and last of what is above them; nil before the first answer
	Sum    time.Duration
}

// DirectionSum are the packets of one direction since the agent started, of bursts
// that told its loss.
type DirectionSum struct {
	Known      bool
	Sent, Lost uint64
}

// Trouble is where a fault of the link lies, as far as the probes show.
type Trouble struct {
	Known    bool          // probes have been judged; the rest is empty until then
	Place    quality.Place // quality.NoFault while none is shown
	Shown    bool          // something is wrong, be its place known or not
	Evidence string        // one sentence
	Because  string        // why the place cannot be told, and what would tell; "" when it can
}

// Receiver is one alarm receiver's delivery record.
type Receiver struct {
	Name      string
	Attempts  uint64
	Failures  uint64
	Dropped   uint64
	Waiting   int
	LastError string
}

// Trial is what one receiver, buzzer or lamp answered to a test.
type Trial struct {
	Receiver string `json:"receiver"`
	Answer   string `json:"answer,omitempty"` // in words
	Fault    string `json:"fault,omitempty"`  // "" where it went well
}

// Data is the use of the data budgets, in bytes; a budget of 0 is none.
type Data struct {
	UsedToday, BudgetPerDay   int64 // probes and forwarding together
	UsedMonth, BudgetPerMonth int64
	Parts                     []DataPart
}

// DataPart is what one part used of the budgets.
type DataPart struct {
	Name       string // "probing", "sending", "catching_up"
	Day, Month int64
	Left       int64 // of the tighter budget; the two parts of forwarding share theirs
	Limited    bool  // Left is one
}

// Energy is what all probes of the day cost over idle, by the packs' own readings.
type Energy struct {
	TodayWh              float64
	Measured, Unmeasured int     // probes
	PacksWh              float64 // what the packs hold when full, by label and present voltage
	PacksKnown           bool
	Stretch              float64 // what periods are multiplied by as the pack runs down
}

// ProbeEnergy is what one probe of a target costs over idle, since the agent started.
type ProbeEnergy struct {
	MeanWh, ErrorWh float64 // the error is a standard one; with one probe, that of its readings
	Measured        int     // the figures are valid where it is not 0
	Why             string  // of the newest, where it could not be measured
}

// SurveyState is where a survey stands.
type SurveyState string

const (
	SurveyBegins   SurveyState = "begins"
	SurveyWaits    SurveyState = "waits"    // for the arrangement to be changed
	SurveyMeasures SurveyState = "measures" // or is about to
	SurveyDone     SurveyState = "done"
	SurveyStopped  SurveyState = "stopped"
)

// Survey is a survey that the agent makes.
type Survey struct {
	Name            string
	State           SurveyState
	Round, Of       int    // the round under way or waited for, from 1
	Made            int    // rounds that are kept
	Arrangement     string // of that round: its letter
	ArrangementName string // and its words
	Text            string // what goes on, what to do, or why it stopped
	LastRound       string // what the newest round measured; "" before it
}

// Journal is the state of the record.
type Journal struct {
	Path      string
	Pending   int
	LastSync  time.Time
	LastError string
	Dropped   uint64 // records lost since the agent started because the file could not be written
	Removed   uint64 // oldest records removed since the agent started to keep within the limit

	Gatherings     int    // of every exported series, held for forwarding
	SampleBytes    int64  // what they take in the file
	SamplesDropped uint64 // samples lost since the agent started to keep within the limits
}

// Forward is the state of forwarding samples to a receiver. Counters are of samples
// since the agent started, where nothing else is said.
type Forward struct {
	Sent        uint64
	Duplicates  uint64 // refused because the receiver had them
	Refused     uint64 // dropped because the receiver will not have them
	Undated     uint64 // dropped: taken in an earlier boot that never learnt the time
	Expired     uint64 // dropped: too old
	Invalid     uint64 // not sendable, left out of their gathering
	Waiting     int    // gatherings of every exported series
	Oldest      time.Time
	OldestKnown bool // something waits and its time, Oldest, is known
	Requests    uint64
	Failures    uint64 // of requests
	Bytes       int64  // over the connections, both ways
	LastSent    time.Time
	LastError   string // of the last request; "" when it was accepted
	LastRefusal string // the last refusal's words and remedy; kept
	GatherError string // what could not be gathered the last time
	Held        string // why nothing is sent just now; "" when something is
}

// BacklogAge is the age of the oldest gathering that waits, 0 when none does; known
// is false where its time is not known.
func (f Forward) BacklogAge(now time.Time) (age time.Duration, known bool) {
	if f.Waiting == 0 {
		return 0, true
	}
	return max(now.Sub(f.Oldest), 0), f.OldestKnown
}

// Lost is how many samples were given up.
func (f Forward) Lost() uint64 { return f.Refused + f.Undated + f.Expired + f.Invalid }
