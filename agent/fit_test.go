package agent

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"candlemark/agent/journal"
	"candlemark/probes"
	"candlemark/probes/quality"
)

func verdict(r *ride, use string) quality.Verdict {
	for _, v := range r.s.Snapshot().Fit {
		if v.Use == use {
			return v
		}
	}
	return quality.Verdict{}
}

// fitRide is an agent with an uplink target, a transfer under load and a service.
func fitRide(t *testing.T) *ride {
	set := testSetup()
	set.Targets = []TargetSetup{
		{Name: "far", Section: probes.Uplink, Kind: probes.Latency}, {Name: "wide", Section: probes.Uplink, Kind: probes.Throughput},
		{Name: "hop rate", Section: probes.Hop, Kind: probes.Throughput}, {Name: "forms", Section: probes.Uplink, Kind: probes.Service},
	}
	return newRide(t, set, Memory{})
}

func probedNow(r *ride, result probes.Result) {
	r.send(Probed{At: r.at(), Result: result})
	r.up += 15 * time.Second
}

func good(rtt time.Duration) *probes.LatencyStats {
	return &probes.LatencyStats{Sent: 10, RTTs: slices.Repeat([]time.Duration{rtt}, 10), RTTKnown: true, Min: rtt, Median: rtt, P95: rtt, VariationKnown: true}
}

func TestLossIsJudgedByTheBurstsOfHalfAnHourAndAnOutageAtOnce(t *testing.T) {
	r := fitRide(t)
	if len(r.s.Snapshot().Fit) != 0 {
		t.Error("judged before any probe")
	}
	far := func(l *probes.LatencyStats) {
		probedNow(r, probes.Result{Target: "far", Section: probes.Uplink, Kind: probes.Latency, Latency: l})
	}
	rate := &probes.Transfer{Loaded: good(60 * time.Millisecond)}
	probedNow(r, probes.Result{Target: "hop rate", Section: probes.Hop, Kind: probes.Throughput, Throughput: &probes.ThroughputStats{Down: 90e6, DownKnown: true, Up: 90e6, UpKnown: true}})
	if len(r.s.Snapshot().Fit) != 0 {
		t.Error("judged by the hop alone")
	}
	far(good(40 * time.Millisecond))
	probedNow(r, probes.Result{Target: "wide", Section: probes.Uplink, Kind: probes.Throughput,
		Throughput: &probes.ThroughputStats{Down: 20e6, DownKnown: true, Up: 5e6, UpKnown: true, UpDetail: rate}})
	// Up to 28 % may be lost when none of 10 was (Wilson 1927): only more packets tell.
	if v := verdict(r, quality.UseVoice); v.Word != quality.CannotTell || !strings.Contains(v.Because, "no loss in 10 packets") {
		t.Errorf("after one burst: %+v", v)
	}
	for range 45 {
		far(good(40 * time.Millisecond))
	}
	if v := verdict(r, quality.UseVoice); v.Word != quality.Fit || !v.UsersKnown || v.Users != 37 { // 75 % of 5 Mbit/s over 100 kbit/s
		t.Errorf("after 46 bursts: %+v", v)
	}
	for range 3 {
		far(&probes.LatencyStats{Sent: 10, Lost: 10})
	}
	if v := verdict(r, quality.UseVoice); v.Word != quality.Unfit {
		t.Errorf("while nothing answers: %s because %s", v.Word, v.Because)
	}
	// The newest probe could not measure: the older figure says nothing of now.
	probedNow(r, probes.Result{Target: "wide", Section: probes.Uplink, Kind: probes.Throughput, Err: errors.New("server refused")})
	if v := verdict(r, quality.UseFile); v.Word == quality.Fit || v.UsersKnown || !strings.Contains(v.UsersBecause, "server refused") {
		t.Errorf("without a rate: %+v", v)
	}
	target := r.s.Snapshot().Targets[0]
	if n := target.RTTs.Counts[6]; n != 460 || target.RTTs.Sum != 460*40*time.Millisecond { // 30 to 50 ms
		t.Errorf("histogram %v, sum %v", target.RTTs.Counts, target.RTTs.Sum)
	}
}

func TestAServiceThatFailsIsJudgedAndRecordedOnce(t *testing.T) {
	r := fitRide(t)
	try := func(works bool, problem string) (records int) {
		e := Probed{At: r.at(), Result: probes.Result{Target: "forms", Section: probes.Uplink, Kind: probes.Service, Service: &probes.ServiceStats{Works: works, Problem: problem, Reached: true}}}
		var out []Effect
		r.s, out = Step(r.s, e)
		for _, o := range out {
			if rec, ok := o.(Record); ok && rec.Kind == journal.KindProbe && rec.Subject == "forms" && strings.Contains(rec.Text, "work") {
				records++
			}
		}
		return records
	}
	if n := try(true, ""); n != 0 || verdict(r, quality.UseServices).Word != quality.Fit {
		t.Errorf("works from the start: %d records, %+v", n, verdict(r, quality.UseServices))
	}
	if n := try(false, "answered 503"); n != 1 || verdict(r, quality.UseServices).Word != quality.Unfit {
		t.Errorf("fails: %d records, %+v", n, verdict(r, quality.UseServices))
	}
	if n := try(false, "answered 503"); n != 0 {
		t.Errorf("fails again: %d records", n)
	}
	if n := try(true, ""); n != 1 {
		t.Errorf("works again: %d records", n)
	}
}

// Where the byte budget ended the load, that is said, and not that nothing was to measure it.
func TestWhyNothingWasMeasuredUnderLoad(t *testing.T) {
	r := fitRide(t)
	probedNow(r, probes.Result{Target: "far", Section: probes.Uplink, Kind: probes.Latency, Latency: good(40 * time.Millisecond)})
	broken := &probes.Transfer{StoppedBy: "byte_budget", LoadedWhy: "the load was over before it was measured (byte_budget)"}
	probedNow(r, probes.Result{Target: "wide", Section: probes.Uplink, Kind: probes.Throughput,
		Throughput: &probes.ThroughputStats{Down: 20e6, DownKnown: true, Up: 5e6, UpKnown: true, DownDetail: broken}})
	if said := verdict(r, quality.UseVoice).Because; !strings.Contains(said, "under load: the load was over before it was measured (byte_budget)") || strings.Contains(said, "no transfer to the uplink") {
		t.Errorf("%q", said)
	}
}
