package alarm

import (
	"time"

	"candlemark/agent/pack"
	"candlemark/probes"
)

// Name is an alarm's name for machines.
type Name string

const (
	BringNextPack    Name = "bring_next_pack"
	ShutTerminalDown Name = "shut_terminal_down"
	PackAtCutoff     Name = "pack_at_cutoff"
	SensorStale      Name = "sensor_stale"
	CurrentClipped   Name = "current_clipped"
	LinkDown         Name = "link_down"
	HopDown          Name = "hop_down"
	ClockNotSet      Name = "clock_not_set"
	FeedCutComing    Name = "feed_cut_coming"
)

// Severity orders alarms by how soon somebody must act.
type Severity string

const (
	Critical Severity = "critical" // act now
	Warning  Severity = "warning"  // act within the lead time
	Notice   Severity = "notice"   // know it; the figures are worth less while it lasts
)

// Instant is a point on the agent's own time line together with what the wall
// clock said then. Up is what durations are formed from; Wall is only for people
// and records, and may jump.
type Instant struct {
	Up   time.Duration `json:"up_ns"`
	Wall time.Time     `json:"wall"`
}

// Leads are the lead times of one pack.
type Leads struct {
	NextPack time.Duration // bring_next_pack is raised when the cautious remaining time falls to this
	ShutDown time.Duration // shut_terminal_down
}

// PackInput is what the alarms need to know of one pack.
type PackInput struct {
	Name     string
	Leads    Leads
	Forecast pack.Forecast
	Clipped  bool // the last reading was clipped
	// ReadingUp is when the last good reading ended; valid where Seen.
	ReadingUp  time.Duration
	Seen       bool
	StaleAfter time.Duration
	Swaps      uint64 // counts pack swaps, declared or detected; a rise clears latches; best kept over restarts
}

// TargetInput is what the alarms need to know of one latency target.
type TargetInput struct {
	Name    string
	Section probes.Section
	// Probes counts finished latency probes; a rise means Answer is fresh. A probe
	// that could not be sent for want of a route or a name was not answered, and
	// counts; one that could not be made for reasons of the board does not.
	Probes uint64
	Answer bool // the last probe had at least one reply
}

// FeedInput is what the alarms need to know of the terminal's feed.
type FeedInput struct {
	Pack string // that it hangs on
	// CutComing is set from the announcement of a cut that people have to know of
	// until the cut; CutIn is the time left and Why the reason.
	CutComing bool
	CutIn     time.Duration
	Why       string
	On        bool
	ByHand    bool // no switch is fitted
	// ReturnIn is the time until a feed that is off comes back; valid where ReturnKnown.
	ReturnIn    time.Duration
	ReturnKnown bool
}

// Inputs is everything one decision rests on. It always lists every configured
// pack and target, measured yet or not: one that is missing left the configuration,
// and its alarms end.
type Inputs struct {
	Now     Instant
	Packs   []PackInput
	Targets []TargetInput
	Feed    *FeedInput // nil where no feed is configured
	// Trouble says in words where a fault of the link lies; "" while none is shown.
	Trouble  string
	ClockSet bool
}

// Active is one alarm that is raised now.
type Active struct {
	ID       string   `json:"id"` // stable for the alarm's whole life, unique over restarts
	Name     Name     `json:"name"`
	Severity Severity `json:"severity"`
	Subject  string   `json:"subject"` // pack or target name, "" for the board
	Title    string   `json:"title"`   // words for people: what is the matter
	Action   string   `json:"action"`  // words for people: what to do, and by when
	// By is the part of Action that says by when, "" where there is no such time.
	By     string  `json:"by,omitempty"`
	Raised Instant `json:"raised"`
	// ClockSet says whether Raised.Wall can be believed. A wall time noted while
	// the clock was not set is put right once it is.
	ClockSet bool `json:"clock_set"`
	// Acknowledged is nil while nobody has said that he knows of it, and again once
	// the quiet has ended. What it points to never changes.
	Acknowledged *Acknowledged `json:"acknowledged,omitempty"`
}

// Change is an alarm raised or cleared by one decision.
type Change struct {
	Alarm  Active
	Raised bool // else cleared
	At     Instant
	// ClockSet says whether At.Wall can be believed.
	ClockSet bool
	Because  string // why it was raised or cleared, with the figures
}
