package alarm

import "time"

// Level is a raise or clear level together with what it is measured in.
type Level struct {
	Value float64
	Of    string // "× lead time", "× stale_after", "probes in a row", ...
}

// Entry is all that is fixed about one alarm.
type Entry struct {
	Name        Name
	Severity    Severity
	About       string // what Subject names: "pack", "target" or "board"
	Title       string // words for people; {subject} and {detail} are filled in
	Action      string // what to do, in words for the person on scene
	Raise       Level
	Clear       Level
	RaiseHold   time.Duration // how long the raise condition must hold
	ClearHold   time.Duration // how long the clear condition must hold
	Latched     bool          // a recovery that only comes from the load going away does not clear it
	RaisedWhen  string        // for the documents
	ClearedWhen string        // for the documents
}

// Catalogue lists every alarm, most urgent first.
func Catalogue() []Entry { return nil }

// Lookup finds an alarm's entry.
func Lookup(n Name) (Entry, bool) { return Entry{}, false }
