package agent

import (
	"candlemark/agent/alarm"
	"candlemark/agent/journal"
	"candlemark/agent/schedule"
	"candlemark/probes"
)

// Effect is something the step wants done. The step never does it itself.
type Effect interface{ effect() }

// Announce tells everybody of alarms raised and cleared, and of what is active now.
type Announce struct {
	Changes []alarm.Change
	Active  []alarm.Active
}

// StartProbe asks for one probe; a Probed event follows.
type StartProbe struct {
	Name string
	Kind probes.Kind
}

// Record writes one line of the activity record.
type Record struct {
	At      alarm.Instant
	Kind    journal.Kind
	Subject string
	Who     string
	Text    string
	Urgent  bool // must be on the disk before a power cut can lose it
	Warn    bool // somebody should look into it
}

// SavePack stores a pack's estimate so that a restart can carry on.
type SavePack struct {
	Pack  string
	State PackState
}

// SaveProfile stores what was learned about one pack.
type SaveProfile struct {
	Identity string
	Known    KnownPack
}

// SaveAlarms stores the alarms so that a restart neither forgets nor renames one.
type SaveAlarms struct{ State alarm.Saved }

// SaveBudget stores the data and energy used.
type SaveBudget struct {
	State  schedule.Saved
	Urgent bool // before what it counts is spent
}

// PowerOff asks for the board to be shut down in order before its pack is flat.
type PowerOff struct{ Why string }

func (Announce) effect()    {}
func (StartProbe) effect()  {}
func (Record) effect()      {}
func (SavePack) effect()    {}
func (SaveProfile) effect() {}
func (SaveAlarms) effect()  {}
func (SaveBudget) effect()  {}
func (PowerOff) effect()    {}
