package agent

import (
	"cmp"
	"fmt"
	"time"

	"candlemark/agent/journal"
	"candlemark/agent/status"
	"candlemark/probes"
	"candlemark/probes/quality"
)

// One burst of ten packets can't tell a loss of 1 % from none, so the loss that the
// link is judged by is that of the bursts of the last half hour, this many at most.
const (
	lossWithin = 30 * time.Minute
	lossBursts = 64
)

// burstLoss is the loss of one burst.
type burstLoss struct {
	up         time.Duration
	sent, lost int
}

// takeLatency adds a burst to what is counted of a target.
func (t *targetTrack) takeLatency(l *probes.LatencyStats, up time.Duration) {
	t.sent += uint64(l.Sent)
	t.lost += uint64(l.Lost)
	if len(l.RTTs) > 0 && t.rtts.Counts == nil {
		t.rtts.Counts = make([]uint64, len(probes.RTTBounds())+1)
	}
	for i, n := range l.Histogram() {
		if n > 0 {
			t.rtts.Counts[i] += uint64(n)
		}
	}
	for _, rtt := range l.RTTs {
		t.rtts.Sum += rtt
	}
	addDirection(&t.forward, l.Forth)
	addDirection(&t.backward, l.Back)
	t.recent = append(t.recent, burstLoss{up, l.Sent, l.Lost})
	for len(t.recent) > lossBursts || up-t.recent[0].up > lossWithin {
		t.recent = t.recent[1:]
	}
}

func addDirection(sum *status.DirectionSum, d *probes.Direction) {
	if d == nil || !d.LossKnown {
		return
	}
	sum.Known = true
	sum.Sent += uint64(d.Sent)
	sum.Lost += uint64(d.Lost)
}

// recentLoss is the loss the link is judged by. While nothing is answered, what was
// answered before does not count.
func (t *targetTrack) recentLoss() (sent, lost int) {
	down := len(t.recent) > 0 && silent(t.recent[len(t.recent)-1])
	for i := len(t.recent) - 1; i >= 0; i-- {
		b := t.recent[i]
		if down && !silent(b) {
			break
		}
		sent, lost = sent+b.sent, lost+b.lost
	}
	return sent, lost
}

func silent(b burstLoss) bool { return b.sent > 0 && b.lost == b.sent }

// judgeFit says anew what the link is good enough for. It is judged from end to
// end, that is by the probes of the uplink; those of the hop alone say nothing of it.
func (s *State) judgeFit() {
	m := quality.Measured{
		RTTMs: lacks("no target of the uplink is configured"), VariationMs: lacks("no target of the uplink is configured"),
		LoadedRTTMs: lacks("no transfer to the uplink measures under load"), LoadedVarMs: lacks("no transfer to the uplink measures under load"),
		DownBitS: lacks("no transfer to the uplink measures it"), UpBitS: lacks("no transfer to the uplink measures it"),
	}
	seen := false
	if t := s.target(s.trouble.end); t != nil {
		seen = seen || t.attempts > 0
		t.idle(&m)
	}
	for i := len(s.targets) - 1; i >= 0; i-- { // the first configured has the last word
		t := s.targets[i]
		if t.Kind == probes.Throughput && t.Section == probes.Uplink {
			seen = seen || t.attempts > 0
			t.carried(&m)
		}
	}
	for _, t := range s.targets {
		if t.Kind == probes.Service {
			seen = seen || t.attempts > 0
			m.Services = append(m.Services, t.serviceSeen())
		}
	}
	s.fitFor = nil
	if seen {
		s.fitFor, _ = quality.Judge(m, s.setup.Needs) // the needs were checked at the start
	}
}

// measured says whether the newest probe measured something.
func (t *targetTrack) measured() bool { return t.lastKnown && !t.lastOld }

func (t *targetTrack) why() quality.Figure {
	return lacks(cmp.Or(t.lastError, t.Name+" was not measured yet"))
}

func lacks(why string) quality.Figure { return quality.Figure{Why: why} }

// idle gives the figures of a latency target.
func (t *targetTrack) idle(m *quality.Measured) {
	if !t.measured() {
		why := t.why()
		m.RTTMs, m.VariationMs = why, why
		return
	}
	got := quality.MeasuredFrom(t.last.Latency, nil, nil)
	m.RTTMs, m.VariationMs = got.RTTMs, got.VariationMs
	m.Sent, m.Lost = t.recentLoss()
}

// carried gives the figures of a transfer, direction by direction.
func (t *targetTrack) carried(m *quality.Measured) {
	var got quality.Measured
	if t.measured() {
		got = quality.MeasuredFrom(nil, busiest(t.last.Throughput), t.last.Throughput)
	}
	for _, f := range []*quality.Figure{&got.DownBitS, &got.UpBitS} {
		if !f.Known && (!t.measured() || t.lastError != "") {
			*f = t.why()
		}
	}
	if why := notLoaded(t.last.Throughput); why != "" && t.measured() && !got.LoadedRTTMs.Known {
		got.LoadedRTTMs, got.LoadedVarMs = lacks(why), lacks(why)
	}
	for _, f := range []struct{ from, to *quality.Figure }{
		{&got.DownBitS, &m.DownBitS}, {&got.UpBitS, &m.UpBitS}, {&got.LoadedRTTMs, &m.LoadedRTTMs}, {&got.LoadedVarMs, &m.LoadedVarMs},
	} {
		if f.from.Known || !f.to.Known && f.from.Why != "" {
			*f.to = *f.from
		}
	}
}

// busiest are the packets of the direction in which load delays them more: a call
// suffers from either. Nil where none were sent.
func busiest(x *probes.ThroughputStats) (worst *probes.LatencyStats) {
	if x == nil {
		return nil
	}
	for _, d := range []*probes.Transfer{x.DownDetail, x.UpDetail} {
		if d == nil || d.Loaded == nil || !d.Loaded.RTTKnown {
			continue
		}
		if worst == nil || d.Loaded.Median > worst.Median {
			worst = d.Loaded
		}
	}
	return worst
}

// notLoaded says why a transfer that was to measure under load did not; "" where none was.
func notLoaded(x *probes.ThroughputStats) string {
	if x == nil {
		return ""
	}
	for _, d := range []*probes.Transfer{x.DownDetail, x.UpDetail} {
		if d != nil && d.LoadedWhy != "" {
			return "under load: " + d.LoadedWhy
		}
	}
	return ""
}

func (t *targetTrack) serviceSeen() quality.ServiceSeen {
	v := quality.ServiceSeen{Name: t.Name, Detail: cmp.Or(t.lastError, "not tried yet")}
	if s := t.last.Service; t.measured() && s != nil {
		v.Known, v.Works, v.Detail = true, s.Works, s.Problem
		if s.Works {
			v.Detail = fmt.Sprintf("done in %s", t.last.Elapsed.Round(time.Millisecond))
		}
	}
	return v
}

// serviceNews records that a service stopped working or works again.
func serviceNews(t *targetTrack, e Probed) []Effect {
	now := e.Result.Service
	if now == nil {
		return nil
	}
	before := t.last.Service
	if t.lastKnown && before != nil && before.Works == now.Works || !t.lastKnown && now.Works {
		return nil
	}
	text := "works again"
	if !now.Works {
		text = "does not work: " + now.Problem
	}
	return []Effect{Record{At: e.At, Kind: journal.KindProbe, Subject: t.Name, Text: text, Warn: !now.Works}}
}
