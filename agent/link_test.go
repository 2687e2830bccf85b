package agent

import (
	"strings"
	"testing"
	"time"

	"candlemark/agent/alarm"
	"candlemark/probes"
	"candlemark/probes/quality"
)

// burst is a latency result with every answered packet at rtt.
func burst(target string, section probes.Section, rtt time.Duration, lost int) Probed {
	l := &probes.LatencyStats{Method: "icmp", Sent: 10, Lost: lost, Timeout: time.Second}
	if lost < 10 {
		l.RTTKnown, l.Min, l.Median, l.P95 = true, rtt, rtt, rtt
	}
	return Probed{Result: probes.Result{Target: target, Section: section, Kind: probes.Latency, Latency: l}}
}

// The case is checks F17's: the hop answers as before while the far side became
// slow, so the uplink is at fault.
func TestFaultBeyondTheHopIsAttributedToTheUplinkLive(t *testing.T) {
	set := testSetup()
	set.Targets = append(set.Targets, TargetSetup{Name: "relay", Section: probes.Hop, Kind: probes.Latency})
	r := newRide(t, set, Memory{})
	round := func(hop, far time.Duration, lost int) {
		for _, e := range []Probed{burst("relay", probes.Hop, hop, 0), burst("far", probes.Uplink, far, lost)} {
			e.At = r.at()
			r.send(e)
			r.up += 15 * time.Second
		}
	}
	if r.s.Snapshot().Trouble.Known {
		t.Error("a place is named before any probe")
	}
	for i := range 40 {
		round(3*time.Millisecond, time.Duration(45+i%3)*time.Millisecond, 0)
	}
	if got := r.s.Snapshot().Trouble; !got.Known || got.Place != quality.NoFault {
		t.Fatalf("a sound link: %+v", got)
	}
	for i := range 14 {
		round(3*time.Millisecond, time.Duration(245+i%3)*time.Millisecond, 0)
	}
	got := r.s.Snapshot().Trouble
	if got.Place != quality.TheUplink || got.Evidence == "" {
		t.Fatalf("uplink 200 ms slower, hop as before: %+v", got)
	}
	for range 4 {
		round(3*time.Millisecond, 0, 10)
	}
	for _, a := range r.s.Snapshot().Alarms {
		if a.Name == alarm.LinkDown && strings.Contains(a.Title, string(quality.TheUplink)) {
			return
		}
	}
	t.Errorf("link_down does not say where: %+v", r.s.Snapshot().Alarms)
}
