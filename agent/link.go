package agent

import (
	"candlemark/agent/status"
	"candlemark/probes"
	"candlemark/probes/quality"
)

// attribution gathers the latency probes of one hop and one uplink target into
// rounds, and keeps the newest word on where a fault lies. It takes the first of
// each section as configured: the path is one, and the first is the one that
// matters most to whoever wrote the file.
type attribution struct {
	hop, end string // target names; "" where none is configured
	tracker  quality.Tracker
	pending  quality.Round
	rounds   int
}

func newAttribution(targets []TargetSetup) attribution {
	var a attribution
	for _, t := range targets {
		switch {
		case t.Kind != probes.Latency:
		case t.Section == probes.Hop && a.hop == "":
			a.hop = t.Name
		case t.Section == probes.Uplink && a.end == "":
			a.end = t.Name
		}
	}
	return a
}

// take adds a latency result. A round is whole when the far side was probed: what
// the near element said since then belongs to it.
func (a *attribution) take(r probes.Result) {
	if r.Latency == nil || a.end == "" {
		return
	}
	switch r.Target {
	case a.hop:
		a.pending.Hop = look(r.Latency)
	case a.end:
		a.pending.End = look(r.Latency)
		a.tracker.Add(a.pending)
		a.rounds++
		a.pending = quality.Round{}
	}
}

func look(l *probes.LatencyStats) quality.Look {
	return quality.Look{
		Sent: l.Sent, Lost: l.Lost,
		RTTMs: quality.Figure{V: float64(l.Median) / 1e6, Known: l.RTTKnown},
	}
}

// view is the newest attribution for those who look.
func (a *attribution) view() status.Trouble {
	if a.rounds == 0 {
		return status.Trouble{}
	}
	last := a.tracker.Last()
	return status.Trouble{Known: true, Place: last.Place, Shown: last.FaultShown, Evidence: last.Evidence, Because: last.Because}
}

// sentence is what an alarm says of it: the place and the evidence, or why it
// cannot be told; "" while no fault is shown.
func (a *attribution) sentence() string {
	last := a.tracker.Last()
	switch {
	case a.rounds == 0 || !last.FaultShown:
		return ""
	case last.Because != "":
		return "where it lies cannot be told: " + last.Because
	}
	return "it lies in: " + string(last.Place) + " (" + last.Evidence + ")"
}
