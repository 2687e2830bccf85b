package alarm

import "time"

// Level is a raise or clear level together with what it is measured in.
type Level struct {
	Value float64
	Of    string
}

// What levels are measured in.
const (
	ofLead    = "× lead time"
	ofStale   = "× stale_after"
	ofLeft    = "s expected to cut-off"
	ofProbes  = "probes in a row"
	ofClipped = "clipped readings (share)"
	ofClock   = "clock set (0 no, 1 yes)"
)

// Entry is all that is fixed about one alarm. The Catalogue's entries are what
// the documents are checked against.
type Entry struct {
	Name        Name
	Severity    Severity
	About       string // what Subject names: "pack", "hop target" or "board"
	Title       string // words for people; {subject} and {detail} are filled in by the machine
	Action      string // what to do, in words for the person on scene
	Raise       Level
	Clear       Level
	RaiseHold   time.Duration // how long the raise condition must hold
	ClearHold   time.Duration // how long the clear condition must hold
	Latched     bool          // a recovery that only comes from the load going away does not clear it
	RaisedWhen  string        // for the documents
	ClearedWhen string        // for the documents
}

// Hold times and counts.
const (
	packRaiseHold = 10 * time.Second // and at least two readings
	packClearHold = 2 * time.Minute
	clearFactor   = 1.5 // of the lead time
	loadGone      = 0.5 // below this share of the load at the raising, the load went away and the pack did not recover
	absentHold    = 2 * time.Minute
	clipRaiseHold = 10 * time.Second
	clipClearHold = time.Minute
	freshHold     = 10 * time.Second // a sensor that came back
	missesToRaise = 3
	hitsToClear   = 2
	clockHold     = 2 * time.Minute
	clockBackHold = 10 * time.Second
	// pendingGap ends a pending raise when nothing has confirmed it for so long.
	pendingGap = time.Minute
)

// Catalogue lists every alarm, most urgent first.
func Catalogue() []Entry {
	const clearedPack = "at once on a pack swap, or when the pack charges or is on mains; else after 2 min of discharging at half the load of the raising or more with the cautious time above 1.5 × "
	return []Entry{
		{
			Name: PackAtCutoff, Severity: Critical, About: "pack",
			Title:  "pack {subject} is at its cut-off: {detail}",
			Action: "take the pack off its load and put in a charged one: running a pack below its cut-off harms it, and a deeply discharged lithium pack must not be charged unattended",
			Raise:  Level{0, ofLeft}, Clear: Level{clearFactor, ofLead + " to shut down"},
			RaiseHold: packRaiseHold, ClearHold: packClearHold, Latched: true,
			RaisedWhen:  "the forecast of a discharging pack is 0 for 10 s and two readings; or no pack is seen for 2 min while shut_terminal_down is raised",
			ClearedWhen: clearedPack + "the lead time to shut down",
		},
		{
			Name: ShutTerminalDown, Severity: Critical, About: "pack",
			Title:  "pack {subject} will soon be flat: {detail}",
			Action: "shut the terminal down now: tell the people who use the link, power the terminal off in order, then swap the pack",
			Raise:  Level{1, ofLead}, Clear: Level{clearFactor, ofLead},
			RaiseHold: packRaiseHold, ClearHold: packClearHold, Latched: true,
			RaisedWhen:  "the cautious time left is at or below the lead time to shut down (15 min unless set otherwise) for 10 s and two readings",
			ClearedWhen: clearedPack + "the lead time",
		},
		{
			Name: LinkDown, Severity: Critical, About: "board",
			Title:  "the link is down: {detail}",
			Action: "check the terminal: power, sky view, cables; if a hop is down too, begin there, and use the fallback link meanwhile",
			Raise:  Level{missesToRaise, ofProbes + " without an answer, every uplink target"}, Clear: Level{hitsToClear, ofProbes + " answered, any uplink target"},
			RaisedWhen:  "every uplink target has left 3 probes in a row without any answer",
			ClearedWhen: "any uplink target has answered 2 probes in a row",
		},
		{
			Name: BringNextPack, Severity: Warning, About: "pack",
			Title:  "pack {subject} needs its successor: {detail}",
			Action: "bring the next pack to the relay now: check that it is charged, and be ready to swap it before the terminal has to be shut down",
			Raise:  Level{1, ofLead}, Clear: Level{clearFactor, ofLead},
			RaiseHold: packRaiseHold, ClearHold: packClearHold, Latched: true,
			RaisedWhen:  "the cautious time left is at or below the lead time for the next pack (45 min unless set otherwise) for 10 s and two readings",
			ClearedWhen: clearedPack + "the lead time",
		},
		{
			Name: SensorStale, Severity: Warning, About: "pack",
			Title:  "pack {subject} is not being measured: {detail}",
			Action: "treat the time left as unknown and go by the clock; check the sensor's plug and wiring, and pull the pack's fuse before touching the wires at the shunt",
			Raise:  Level{1, ofStale}, Clear: Level{1, ofStale},
			ClearHold:   freshHold,
			RaisedWhen:  "there has been no good reading for the sensor's stale_after, or none since the agent started",
			ClearedWhen: "readings are good again for 10 s and two readings",
		},
		{
			Name: HopDown, Severity: Warning, About: "hop target",
			Title:  "the hop {subject} does not answer: {detail}",
			Action: "check the power and the cable of the hop, and of what lies between it and the relay",
			Raise:  Level{missesToRaise, ofProbes + " without an answer"}, Clear: Level{hitsToClear, ofProbes + " answered"},
			RaisedWhen:  "the target has left 3 probes in a row without any answer",
			ClearedWhen: "the target has answered 2 probes in a row",
		},
		{
			Name: CurrentClipped, Severity: Notice, About: "pack",
			Title:  "pack {subject} draws more than its sensor can measure: {detail}",
			Action: "count on less time than shown: the true current is higher than the figure; lower the load, or fit a smaller shunt with the pack unplugged and set its value",
			Raise:  Level{1, ofClipped}, Clear: Level{0, ofClipped},
			RaiseHold: clipRaiseHold, ClearHold: clipClearHold,
			RaisedWhen:  "every reading for 10 s, two at least, was clipped",
			ClearedWhen: "no reading for 1 min, two at least, was clipped",
		},
		{
			Name: ClockNotSet, Severity: Notice, About: "board",
			Title:  "the clock of the board is not set: {detail}",
			Action: "write down times by hand until the clock is set: let the board reach a time server, or set the clock; durations and forecasts are not affected",
			Raise:  Level{0, ofClock}, Clear: Level{1, ofClock},
			RaiseHold: clockHold, ClearHold: clockBackHold,
			RaisedWhen:  "the clock has not been set for 2 min",
			ClearedWhen: "the clock has been set for 10 s",
		},
	}
}

// Lookup finds an alarm's entry.
func Lookup(n Name) (Entry, bool) {
	for _, e := range Catalogue() {
		if e.Name == n {
			return e, true
		}
	}
	return Entry{}, false
}
