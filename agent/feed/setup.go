package feed

import (
	"errors"
	"fmt"
	"time"

	"candlemark/agent/alarm"
	"candlemark/agent/pack"
)

// Fixed times.
const (
	lowHold      = 10 * time.Second // and two readings at least
	unclearGap   = time.Minute      // ends a pending hold that nothing has confirmed for so long
	chargeHold   = 2 * time.Minute
	mostDoubling = 5
	unjudged     = 3 * time.Minute // how long after a reboot a pack that cannot be judged keeps the feed off
	restFor      = 10 * time.Second
	leastOff     = time.Minute
	leastPeriod  = 5 * time.Minute // a contact wears with every change
)

// Setup is what the machine is told before the first step.
type Setup struct {
	Switched   bool          // a switch is fitted; without one the plan is only advised
	Hook       bool          // there is a hook that shuts the terminal down in order
	TerminalW  float64       // power that the feed carries while on, W; 0 when it is not known
	Reserve    time.Duration // cautious remaining time at which the feed is shed; 0 never sheds
	WarnFor    time.Duration // from the warning to the hook
	CloseFor   time.Duration // from the hook to the cut: what an orderly shutdown takes
	StartUp    time.Duration // from power to a working link
	LongestOff time.Duration // the longest time off that is accepted
}

// Check finds every fault, with the remedy.
func (s Setup) Check() error {
	var faults []error
	bad := func(format string, args ...any) { faults = append(faults, fmt.Errorf(format, args...)) }
	if !(s.TerminalW >= 0 && s.TerminalW <= 10_000) {
		bad("feed: terminal power %g W is not between 0 and 10000 W; write what the terminal draws", s.TerminalW)
	}
	for _, d := range []struct {
		name string
		is   time.Duration
	}{{"reserve", s.Reserve}, {"warning time", s.WarnFor}, {"shutdown time", s.CloseFor}, {"start-up time", s.StartUp}} {
		if d.is < 0 || d.is > 7*24*time.Hour {
			bad("feed: the %s of %s is not between 0 and a week", d.name, d.is)
		}
	}
	if least := s.closeFor() + restFor; s.LongestOff < max(leastOff, least) || s.LongestOff > 7*24*time.Hour {
		bad("feed: the longest time off of %s is not between %s and a week", s.LongestOff, max(leastOff, least))
	}
	return errors.Join(faults...)
}

func (s Setup) closeFor() time.Duration {
	if !s.Hook {
		return 0
	}
	return s.CloseFor
}

// Start places the agent's time line within the boot of the board.
type Start struct {
	BootID string
	BootUp time.Duration // the board's uptime at zero of the agent's time line
}

// Inputs is everything one decision rests on.
type Inputs struct {
	Now      alarm.Instant
	ClockSet bool
	// Pack is the pack that the feed hangs on.
	Forecast   pack.Forecast
	Seen       bool          // there was a reading
	ReadingUp  time.Duration // of the newest good one
	StaleAfter time.Duration
	Swaps      uint64 // counts swaps; kept over restarts, so that a swap across one is noticed
}

// Schedule is on for On in every Every.
type Schedule struct {
	On    time.Duration `json:"on_ns"`
	Every time.Duration `json:"every_ns"`
}

// Mode is what governs the feed.
type Mode string

const (
	ModeOn        Mode = "on"
	ModeOff       Mode = "off" // by request, until the return time
	ModeScheduled Mode = "scheduled"
	ModeShed      Mode = "shed" // until a swap, charge or the operator
)

// Stage is how far an orderly cut has come.
type Stage string

const (
	StageNone    Stage = ""
	StageWarned  Stage = "warned"  // shedding was announced
	StageClosing Stage = "closing" // the terminal was told to shut down; the cut follows
)

// Cause says why, by whom and when.
type Cause struct {
	At  alarm.Instant `json:"at"`
	Who string        `json:"who"` // a person, or "agent"
	Why string        `json:"why"` // in words
}

// Agent is Cause.Who for what the agent decides by itself.
const Agent = "agent"

// Effect is something to be done, in the order given: what must survive comes first.
type Effect interface{ effect() }

// Set switches the feed. Only with a switch.
type Set struct {
	On bool
	Cause
}

// Advise tells a person what to switch by hand. Only without a switch.
type Advise struct {
	On   bool
	Text string
	Cause
}

// RunHook starts a hook and does not wait for it.
type RunHook struct {
	Name string
	Cause
}

// HookShutdown is the hook that shuts the terminal down in order.
const HookShutdown = "terminal_shutdown"

// Warn tells people that the feed will be cut.
type Warn struct {
	CutIn time.Duration
	Text  string
	Cause
}

// Record is for the activity record; it must be on the disk together with the
// Save before it.
type Record struct {
	Text string
	Cause
}

// Save must be kept before the effects that follow it are performed.
type Save struct{ State Saved }

func (Set) effect()     {}
func (Advise) effect()  {}
func (RunHook) effect() {}
func (Warn) effect()    {}
func (Record) effect()  {}
func (Save) effect()    {}
