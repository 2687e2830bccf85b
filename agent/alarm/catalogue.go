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
	ofCut     = "cuts announced"
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
	WorsensTo   Name          // the alarm of the same subject that ends an acknowledgement of this one; "" for none
	QuietMost   time.Duration // how long an acknowledgement quiets it, at most and unless less is asked for
	Means       string        // for the documents: what is the matter, and what is not
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
			Action: "take the pack off its load and put in a charged one: running a pack below its cut-off harms it, and a lithium pack that was run down to near 0 V must not be charged again",
			Raise:  Level{0, ofLeft}, Clear: Level{clearFactor, ofLead + " to shut down"},
			RaiseHold: packRaiseHold, ClearHold: packClearHold, Latched: true,
			QuietMost:   10 * time.Minute,
			Means:       "The pack has given all that it may give, or it has already switched itself off. The relay goes dark at any moment. When nothing was measured before, the figure is cautious and the pack may run on for a while; do not count on it.",
			RaisedWhen:  "the forecast of a discharging pack is 0 for 10 s and two readings; or no pack is seen for 2 min while shut_terminal_down is raised",
			ClearedWhen: clearedPack + "the lead time to shut down",
		},
		{
			Name: ShutTerminalDown, Severity: Critical, About: "pack",
			Title:  "pack {subject} will soon be flat: {detail}",
			Action: "shut the terminal down now: tell the people who use the link, power the terminal off in order, then swap the pack",
			Raise:  Level{1, ofLead}, Clear: Level{clearFactor, ofLead},
			RaiseHold: packRaiseHold, ClearHold: packClearHold, Latched: true,
			WorsensTo: PackAtCutoff, QuietMost: 5 * time.Minute,
			Means:       "There is just time to shut the terminal down in order. The alarm goes by the cautious figure, so the pack usually lasts longer than it says; after this one there is only the cut-off. It can be quieted for 5 min only, because in those minutes somebody must act.",
			RaisedWhen:  "the cautious time left is at or below the lead time to shut down (15 min unless set otherwise) for 10 s and two readings; while the sensor is silent, the time since its last good reading is taken off",
			ClearedWhen: clearedPack + "the lead time",
		},
		{
			Name: FeedCutComing, Severity: Critical, About: "feed",
			Title:  "pack {subject} will soon stop feeding the terminal: {detail}",
			Action: "tell the people who use the link that it goes down now: save work, end calls, name the fallback; to keep the feed on, swap the pack before the time is over",
			Raise:  Level{1, ofCut}, Clear: Level{0, ofCut},
			QuietMost:   2 * time.Minute,
			Means:       "The agent is about to take the terminal's power away: to keep the pack's reserve, or because somebody asked for it. First it has the terminal shut down in order. The alarm ends when the feed is cut; how the feed comes back is told then.",
			RaisedWhen:  "a cut at the reserve, or one that somebody asked for, is announced; not those of a schedule",
			ClearedWhen: "the cut is made or called off",
		},
		{
			Name: LinkDown, Severity: Critical, About: "board",
			Title:  "the link is down: {detail}",
			Action: "check the terminal: power, sky view, cables; if a hop is down too, begin there, and use the fallback link meanwhile",
			Raise:  Level{missesToRaise, ofProbes + " without an answer, every uplink target"}, Clear: Level{hitsToClear, ofProbes + " answered, any uplink target"},
			QuietMost:   30 * time.Minute,
			Means:       "Nothing far away answers any more. The pack may be well: look at its own alarms. Where the probes show on which side of the terminal the fault lies, the words say so.",
			RaisedWhen:  "every uplink target has left 3 probes in a row without any answer; probes made while the agent keeps the terminal's feed off, or within start_up of its return, do not count",
			ClearedWhen: "any uplink target has answered 2 probes in a row",
		},
		{
			Name: BringNextPack, Severity: Warning, About: "pack",
			Title:  "pack {subject} must be replaced soon: {detail}",
			Action: "bring the next pack to the relay now: check that it is charged, and be ready to swap it before the terminal has to be shut down",
			Raise:  Level{1, ofLead}, Clear: Level{clearFactor, ofLead},
			RaiseHold: packRaiseHold, ClearHold: packClearHold, Latched: true,
			WorsensTo: ShutTerminalDown, QuietMost: 20 * time.Minute,
			Means:       "The pack still works, but the next one has to be fetched now to be here in time. The alarm goes by the cautious figure. A pack that was never measured before is judged carefully, so this may come early.",
			RaisedWhen:  "the cautious time left is at or below the lead time for the next pack (45 min unless set otherwise) for 10 s and two readings; while the sensor is silent, the time since its last good reading is taken off",
			ClearedWhen: clearedPack + "the lead time",
		},
		{
			Name: SensorStale, Severity: Warning, About: "pack",
			Title:  "pack {subject} is not being measured: {detail}",
			Action: "treat the time left as unknown and go by the clock; check the sensor's plug and wiring, and pull the pack's fuse before touching the wires at the shunt",
			Raise:  Level{1, ofStale}, Clear: Level{1, ofStale},
			ClearHold:   freshHold,
			QuietMost:   30 * time.Minute,
			Means:       "The sensor gives no good readings, so the time left is not known. Nothing is wrong with the pack itself as far as is known, and warnings about it go by the clock from the last reading; after a restart of the agent there are none.",
			RaisedWhen:  "there has been no good reading for the sensor's stale_after, or none since the agent started; a voltage above the 26 V that the sensor stands is no good reading",
			ClearedWhen: "readings are good again for 10 s and two readings",
		},
		{
			Name: HopDown, Severity: Warning, About: "hop target",
			Title:  "the hop {subject} does not answer: {detail}",
			Action: "check the power and the cable of the hop, and of what lies between it and the relay",
			Raise:  Level{missesToRaise, ofProbes + " without an answer"}, Clear: Level{hitsToClear, ofProbes + " answered"},
			QuietMost:   30 * time.Minute,
			Means:       "Something near, the relay or the terminal, does not answer although the agent runs. Without link_down beside it the people may notice nothing yet.",
			RaisedWhen:  "the target has left 3 probes in a row without any answer",
			ClearedWhen: "the target has answered 2 probes in a row",
		},
		{
			Name: CurrentClipped, Severity: Notice, About: "pack",
			Title:  "pack {subject} draws more than its sensor can measure: {detail}",
			Action: "count on less time than shown: the true current is higher than the figure; lower the load, or fit a shunt of lower resistance with the pack unplugged and set its value",
			Raise:  Level{1, ofClipped}, Clear: Level{0, ofClipped},
			RaiseHold: clipRaiseHold, ClearHold: clipClearHold,
			QuietMost:   4 * time.Hour,
			Means:       "The current is beyond what the shunt can show, so the pack is emptied faster than the figures say. The warnings come later than they should.",
			RaisedWhen:  "every reading for 10 s, two at least, was clipped",
			ClearedWhen: "no reading for 1 min, two at least, was clipped",
		},
		{
			Name: ClockNotSet, Severity: Notice, About: "board",
			Title:  "the clock of the board is not set: {detail}",
			Action: "write down times by hand until the clock is set: let the board reach a time server, or say the time with candlemark clock set; durations and forecasts are not affected",
			Raise:  Level{0, ofClock}, Clear: Level{1, ofClock},
			RaiseHold: clockHold, ClearHold: clockBackHold,
			QuietMost:   12 * time.Hour,
			Means:       "The board started without knowing the time of day. Records and messages carry a time that is not to be believed, and say so. Forecasts and alarms do not use the time of day.",
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
