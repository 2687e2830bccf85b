package agent

import (
	"candlemark/agent/status"
	"candlemark/probes"
	"candlemark/probes/quality"
)

// The transfers that attribution goes by: there are few in a day, so that the window
// of the bursts, twelve, would hide a fault for long. Rules of thumb.
const (
	transfersNow    = 6
	transfersNormal = 24
)

// attribution gathers the probes of one hop and one uplink target into rounds, and
// keeps the newest word on where a fault lies: of the bursts of packets, which look at
// the link idle, and of the transfers that send packets before and under load. It takes
// the first of each section as configured: the path is one, and the first is the one that
// matters most to whoever wrote the file.
type attribution struct {
	hop, end string // target names; "" where none is configured
	tracker  quality.Tracker
	pending  quality.Round
	rounds   int

	hopLoad, endLoad string // transfers, likewise
	underLoad        quality.Tracker
	loading          quality.Round
	loads            int
	busy             bool // some transfer measured the link under load, be it alone
}

func newAttribution(targets []TargetSetup) attribution {
	a := attribution{underLoad: quality.Tracker{Window: transfersNow, Normal: transfersNormal}}
	for _, t := range targets {
		first := map[probes.Kind]map[probes.Section]*string{
			probes.Latency:    {probes.Hop: &a.hop, probes.Uplink: &a.end},
			probes.Throughput: {probes.Hop: &a.hopLoad, probes.Uplink: &a.endLoad},
		}[t.Kind][t.Section]
		if first != nil && *first == "" {
			*first = t.Name
		}
	}
	return a
}

// take adds a result.
func (a *attribution) take(r probes.Result) {
	switch {
	case r.Latency != nil:
		a.takeBurst(r.Target, r.Latency)
	case r.Throughput != nil:
		a.takeTransfer(r.Target, r.Throughput)
	}
}

// takeBurst adds a burst. A round is whole when the far side was probed: what the near
// element said since then belongs to it.
func (a *attribution) takeBurst(target string, l *probes.LatencyStats) {
	switch target {
	case a.hop:
		a.pending.Hop = look(l)
	case a.end:
		a.pending.End = look(l)
		a.tracker.Add(a.pending)
		a.rounds++
		a.pending = quality.Round{}
	}
}

// takeTransfer adds a transfer that sent packets before and under load. A round is
// whole when both parts were loaded since the last one, or the far side alone where no
// transfer of the hop is configured.
func (a *attribution) takeTransfer(target string, x *probes.ThroughputStats) {
	busy := busiest(x)
	a.busy = a.busy || busy != nil
	if x.Idle == nil || busy == nil {
		return
	}
	switch target {
	case a.hopLoad:
		a.loading.Hop, a.loading.HopLoaded = look(x.Idle), look(busy)
	case a.endLoad:
		a.loading.End, a.loading.EndLoaded = look(x.Idle), look(busy)
	}
	if a.loading.EndLoaded.Sent == 0 || a.hopLoad != "" && a.loading.HopLoaded.Sent == 0 {
		return
	}
	a.underLoad.Add(a.loading)
	a.loads++
	a.loading = quality.Round{}
}

func look(l *probes.LatencyStats) quality.Look {
	return quality.Look{
		Sent: l.Sent, Lost: l.Lost,
		RTTMs: quality.Figure{V: float64(l.Median) / 1e6, Known: l.RTTKnown},
	}
}

// view is the newest attribution for those who look: what the bursts show, and where
// they show no fault, what the transfers do.
func (a *attribution) view() status.Trouble {
	if a.rounds == 0 && a.loads == 0 {
		return status.Trouble{}
	}
	last, loaded := a.tracker.Last(), a.underLoad.Last()
	switch {
	case loaded.FaultShown && !last.FaultShown:
		last = loaded
		last.Evidence = "in the transfers, " + last.Evidence
	case a.rounds == 0:
		last = loaded
	case last.Evidence == "":
	case !a.busy && a.loads == 0:
		last.Evidence += "; not looked at under load"
	case a.loads < quality.LeastRounds:
		last.Evidence += "; under load measured, but not yet often enough to say where a fault lies"
	case loaded.Place == quality.NoFault:
		last.Evidence += "; under load: " + loaded.Evidence
	case !loaded.FaultShown:
		last.Evidence += "; under load it cannot be told: " + loaded.Because
	}
	return status.Trouble{Known: true, Place: last.Place, Shown: last.FaultShown, Evidence: last.Evidence, Because: last.Because}
}

// sentence is what the alarm of a link that is down says of it: the place and the
// evidence, or why it cannot be told; "" while no fault is shown. It goes by the bursts
// alone: a transfer of hours ago says nothing of a link that is down now.
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
