package schedule

import (
	"math"
	"strings"
	"testing"
	"time"

	"candlemark/probes"
)

func roundTrip(rtt time.Duration) probes.Result {
	return probes.Result{Target: "far", Section: probes.Uplink, Kind: probes.Latency, Latency: &probes.LatencyStats{Sent: 10, RTTKnown: true, Median: rtt}}
}

func loadedTo(rtt time.Duration) probes.Result {
	return probes.Result{Target: "wide", Section: probes.Uplink, Kind: probes.Throughput, Throughput: &probes.ThroughputStats{
		DownDetail: &probes.Transfer{Loaded: &probes.LatencyStats{RTTKnown: true, Median: rtt}},
	}}
}

// waiting is a schedule whose transfer is due at a minute, with a known link.
func waiting(wait time.Duration, seen ...probes.Result) *Schedule {
	s := New(Config{Items: []Item{transfer(time.Minute, 10)}, Quiet: Quiet{BytesPerS: 50_000, Wait: wait}})
	s.Due(Inputs{})
	for i, r := range seen {
		s.Saw(r, time.Minute+time.Duration(i)*time.Second)
	}
	return s
}

func TestATransferWaitsForAQuietLink(t *testing.T) {
	const ms = time.Millisecond
	for name, c := range map[string]struct {
		seen  []probes.Result
		bytes uint64 // by others in 10 s
		own   int64
		held  string
	}{
		"nothing is known of the link":              {nil, 0, 0, ""},
		"nobody moves anything":                     {nil, 1, 0, ""},
		"others move much":                          {nil, 600_000, 0, "others move 60 kB/s"},
		"the agent itself sends metrics":            {nil, 600_000, 590_000, ""},
		"an idle round trip":                        {[]probes.Result{roundTrip(40 * ms), roundTrip(42 * ms), roundTrip(55 * ms)}, 0, 0, ""},
		"a raised one":                              {[]probes.Result{roundTrip(40 * ms), roundTrip(42 * ms), roundTrip(61 * ms)}, 0, 0, "its round trip is 61 ms, idle 40 ms"},
		"too few to know the idle one":              {[]probes.Result{roundTrip(40 * ms), roundTrip(90 * ms)}, 0, 0, ""},
		"raised, but far from that under load":      {[]probes.Result{roundTrip(40 * ms), loadedTo(400 * ms), roundTrip(42 * ms), roundTrip(90 * ms)}, 0, 0, ""},
		"nearer to that under load":                 {[]probes.Result{roundTrip(40 * ms), loadedTo(400 * ms), roundTrip(42 * ms), roundTrip(240 * ms)}, 0, 0, "round trip is 240 ms"},
		"a load that hardly raises it says nothing": {[]probes.Result{roundTrip(40 * ms), loadedTo(41 * ms), roundTrip(42 * ms), roundTrip(50 * ms)}, 0, 0, ""},
	} {
		s := waiting(10*time.Minute, c.seen...)
		if c.bytes > 0 {
			s.Traffic(55*time.Second, 1000, 0, true)
			s.Traffic(60*time.Second, 1000+c.bytes/2, c.own/2, true)
			s.Traffic(65*time.Second, 1000+c.bytes, c.own/2, true)
		}
		_, ok := s.Due(Inputs{Up: 67 * time.Second})
		if got := s.Held("wide"); ok != (c.held == "") || !strings.Contains(got, c.held) || ok != (got == "") {
			t.Errorf("%s: started %v, held %q, want %q", name, ok, got, c.held)
		}
	}
}

func TestTheWaitForAQuietLinkEnds(t *testing.T) {
	const ms = time.Millisecond
	busy := []probes.Result{roundTrip(40 * ms), roundTrip(40 * ms), roundTrip(200 * ms)}
	s := waiting(10*time.Minute, busy...)
	in := Inputs{Up: 67 * time.Second}
	begin := in.Up
	for {
		start, ok := s.Due(in)
		if ok {
			if waited := in.Up - begin; waited != 10*time.Minute || start.Waited != waited || !strings.Contains(start.Describe(), "waited 10m0s for a quiet link in vain: its round trip is 200 ms") {
				t.Errorf("after %v: %+v, %q", waited, start, start.Describe())
			}
			break
		}
		if in.Up-begin > 10*time.Minute {
			t.Fatal("it never starts")
		}
		in.Up += 10 * step
		s.Saw(roundTrip(200*ms), in.Up)
	}
	s.Done("wide", in.Up, 1)

	s = waiting(10*time.Minute, busy...) // the link becomes quiet meanwhile
	s.Due(Inputs{Up: 67 * time.Second})
	s.Saw(roundTrip(45*ms), 80*time.Second)
	start, ok := s.Due(Inputs{Up: 81 * time.Second})
	if !ok || start.Busy != "" || start.Waited != 14*time.Second || start.Describe() != "" {
		t.Errorf("on a quiet link: %v, %+v", ok, start)
	}

	s = waiting(10*time.Minute, busy...) // an operator insists
	s.Due(Inputs{Up: 67 * time.Second})
	if why, ok := s.Force("wide"); !ok {
		t.Fatal(why)
	}
	start, ok = s.Due(Inputs{Up: 68 * time.Second})
	if !ok || !start.Forced || !strings.Contains(start.Describe(), "asked for; the link was not quiet") {
		t.Errorf("forced: %v, %q", ok, start.Describe())
	}
}

func TestOneThatWaitsSaysSoWhileAnotherRuns(t *testing.T) {
	const ms = time.Millisecond
	s := New(Config{Items: []Item{transfer(time.Minute, 10), ping("a", time.Minute)}, Quiet: Quiet{Wait: time.Hour}})
	s.Due(Inputs{})
	for i, rtt := range []time.Duration{40 * ms, 40 * ms, 200 * ms} {
		s.Saw(roundTrip(rtt), time.Minute+time.Duration(i)*time.Second)
	}
	start, ok := s.Due(Inputs{Up: 67 * time.Second})
	if !ok || start.Name != "a" {
		t.Fatalf("%+v, %v", start, ok)
	}
	s.Due(Inputs{Up: 68 * time.Second})
	if got := s.Held("wide"); !strings.HasPrefix(got, NotQuiet) {
		t.Errorf("held while another runs: %q", got)
	}
	s.Done("a", 69*time.Second, 0)
	s.Saw(roundTrip(41*ms), 69*time.Second)
	if start, ok := s.Due(Inputs{Up: 70 * time.Second}); !ok || start.Name != "wide" || s.Held("wide") != "" {
		t.Errorf("once it is quiet: %+v, %v, held %q", start, ok, s.Held("wide"))
	}
}

func TestForceDoesNotPassBudgetOrReserve(t *testing.T) {
	s := New(Config{Items: []Item{transfer(time.Hour, 40)}, Budget: Budget{PerDay: 39}, ReserveBelow: time.Hour})
	s.Due(Inputs{Day: day1})
	if why, ok := s.Force("wide"); ok || why != BudgetSpent {
		t.Errorf("%v, %q", ok, why)
	}
	if why, ok := s.Force("nobody"); ok || why != `no such probe; the probes are: "wide"` {
		t.Errorf("%v, %q", ok, why)
	}
	s = New(Config{Items: []Item{transfer(time.Hour, 40)}, ReserveBelow: time.Hour})
	s.Due(Inputs{Day: day1})
	if why, ok := s.Force("wide"); !ok {
		t.Fatal(why)
	}
	// The pack falls below the reserve before it starts: the order lapses.
	if _, ok := s.Due(Inputs{Up: time.Second, RemainingKnown: true}); ok {
		t.Error("started below the reserve")
	}
	if _, ok := s.Due(Inputs{Up: 2 * time.Second}); ok {
		t.Error("an order that was turned down is carried out later")
	}
}

func TestOthersDataAreCountedBetweenProbes(t *testing.T) {
	s := waiting(10 * time.Minute)
	at := 61 * time.Second
	start, ok := s.Due(Inputs{Up: at})
	if !ok {
		at = 67 * time.Second
		if start, ok = s.Due(Inputs{Up: at}); !ok {
			t.Fatal("nothing due")
		}
	}
	s.Traffic(at, 1000, 0, true)
	s.Traffic(at+10*time.Second, 20e6, 0, true) // the probe's own
	s.Done(start.Name, at+10*time.Second, 20e6)
	s.Traffic(at+11*time.Second, 20e6, 0, true)
	s.Traffic(at+17*time.Second, 20e6+100, 0, true)
	if why := s.quiet.busy(at + 17*time.Second); why != "" {
		t.Errorf("its own data hold it up: %s", why)
	}
	s.Traffic(at+22*time.Second, 10, 0, true) // the counter was set back
	s.Traffic(at+23*time.Second, 20, 0, true)
	s.Traffic(at+29*time.Second, 6e6, 0, true)
	if why := s.quiet.busy(at + 29*time.Second); !strings.Contains(why, "others move 1000 kB/s") {
		t.Errorf("busy: %q", why)
	}
	if why := s.quiet.busy(at + 29*time.Second + quietAge + 1); why != "" {
		t.Errorf("an old count: %q", why)
	}
}

func TestPeriodsGrowAsThePackRunsDown(t *testing.T) {
	for _, c := range []struct{ ratio, want float64 }{{1, 1}, {0.5, 1}, {0.4, 1.25}, {0.25, 2}, {0.125, 4}, {0.01, 4}, {0, 4}, {-1, 4}, {math.NaN(), 1}} {
		if got := Stretch(c.ratio); math.Abs(got-c.want) > 1e-12 {
			t.Errorf("with %v left periods grow by %v, want %v", c.ratio, got, c.want)
		}
	}
	counts := func(in Inputs) (light, heavy int) {
		s := New(Config{Items: []Item{ping("a", time.Minute), transfer(10*time.Minute, 1)}})
		starts := simulate(s, in, 20*time.Hour, time.Second, 1)
		return count(starts, "a"), count(starts, "wide")
	}
	for _, c := range []struct {
		in           Inputs
		light, heavy int
	}{
		{Inputs{}, 1200, 120}, {Inputs{EnergyRatio: 1, EnergyKnown: true}, 1200, 120},
		{Inputs{EnergyRatio: 0.25, EnergyKnown: true}, 600, 60}, {Inputs{EnergyRatio: 0.1, EnergyKnown: true}, 600, 30},
		{Inputs{EnergyRatio: 0.1}, 1200, 120},
	} {
		light, heavy := counts(c.in)
		if math.Abs(float64(light-c.light)) > float64(c.light)/20 || math.Abs(float64(heavy-c.heavy)) > float64(c.heavy)/10 {
			t.Errorf("%+v: %d and %d starts in 20 h, want %d and %d", c.in, light, heavy, c.light, c.heavy)
		}
	}
}
