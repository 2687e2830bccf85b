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

// loaded is a transfer with 50 packets before it and a hundred under load, down.
func loaded(target string, section probes.Section, idle, busy time.Duration) Probed {
	packets := func(n int, rtt time.Duration) *probes.LatencyStats {
		return &probes.LatencyStats{Method: "stamp", Sent: n, RTTKnown: true, Min: rtt, Median: rtt, P95: rtt}
	}
	return Probed{Result: probes.Result{Target: target, Section: section, Kind: probes.Throughput, Throughput: &probes.ThroughputStats{
		DownKnown: true, Down: 5e6, Idle: packets(50, idle),
		DownDetail: &probes.Transfer{Loaded: packets(100, busy)}, UpDetail: &probes.Transfer{Loaded: packets(100, idle)},
	}}}
}

// The case is checks F17's: under load the hop rises from 3 to 4 ms and the whole way from
// 45 to 245, so that the queue is beyond the hop. Idle bursts show nothing of it.
func TestAQueueUnderLoadIsAttributedToTheUplinkLive(t *testing.T) {
	set := testSetup()
	set.Targets = append(set.Targets, TargetSetup{Name: "relay", Section: probes.Hop, Kind: probes.Latency}, TargetSetup{Name: "hop-rate", Section: probes.Hop, Kind: probes.Throughput})
	r := newRide(t, set, Memory{})
	send := func(events ...Probed) {
		for _, e := range events {
			e.At = r.at()
			r.send(e)
			r.up += 10 * time.Second
		}
	}
	const ms = time.Millisecond
	transfers := func(n int, hop, far time.Duration) {
		for i := range n {
			wander := time.Duration(i%3) * ms
			send(loaded("hop-rate", probes.Hop, 3*ms, hop), loaded("wide", probes.Uplink, 45*ms, far+wander))
		}
	}
	for i := range 40 {
		send(burst("relay", probes.Hop, 3*ms, 0), burst("far", probes.Uplink, time.Duration(45+i%3)*ms, 0))
	}
	says := func(place quality.Place, shown bool, words string) {
		t.Helper()
		if got := r.s.Snapshot().Trouble; got.Place != place || got.Shown != shown || !strings.Contains(got.Evidence, words) {
			t.Errorf("%+v, want %s (shown %v) and %q", got, place, shown, words)
		}
	}
	says(quality.NoFault, false, "; not looked at under load")
	transfers(1, 4*ms, 60*ms) // what is graded was looked at, so that the two agree
	says(quality.NoFault, false, "; under load measured, but not yet often enough to say where a fault lies")
	transfers(13, 4*ms, 60*ms)
	says(quality.NoFault, false, "; under load: nothing above normal")
	for range 10 { // half a round is none
		send(loaded("wide", probes.Uplink, 45*ms, 500*ms))
	}
	says(quality.NoFault, false, "; under load: nothing above normal")
	send(loaded("hop-rate", probes.Hop, 3*ms, 4*ms))
	transfers(6, 4*ms, 245*ms)
	says(quality.TheUplink, true, "in the transfers, rise under load")
	transfers(14, 4*ms, 60*ms)
	says(quality.NoFault, false, "; under load: nothing above normal")
	send(burst("far", probes.Uplink, 345*ms, 0), burst("far", probes.Uplink, 345*ms, 0))
	if s := r.s.trouble.sentence(); strings.Contains(s, "transfers") {
		t.Errorf("an alarm of a link that is down rests on transfers: %q", s)
	}
}
