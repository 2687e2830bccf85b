package httpd

import (
	"math"
	"testing"
	"time"

	"candlemark/agent/alarm"
	"candlemark/agent/pack"
	"candlemark/agent/status"
	"candlemark/probes"
	"candlemark/sensors"
)

func TestATrailIsBoundedAndKeepsTheSag(t *testing.T) {
	var tr trail
	const seconds = 7 * 24 * 3600
	for s := range seconds {
		volts := 18.0
		if s == 200_000 {
			volts = 14.2 // one reading in a week
		}
		tr.add(point{at: time.Duration(s) * time.Second, low: volts, known: true, sent: 1}, math.Min)
		if len(tr.points) > trailPoints {
			t.Fatalf("%d points", len(tr.points))
		}
	}
	lowest, sent := math.Inf(1), 0
	for i, p := range tr.points {
		lowest, sent = math.Min(lowest, p.low), sent+p.sent
		if i > 0 && p.at-tr.points[i-1].at < tr.step {
			t.Fatalf("points %s apart, step %s", p.at-tr.points[i-1].at, tr.step)
		}
	}
	if len(tr.points) < trailPoints/2 || lowest != 14.2 || sent != seconds {
		t.Errorf("%d points, lowest %g V, %d packets; want at least %d, 14.2 V, %d", len(tr.points), lowest, sent, trailPoints/2, seconds)
	}
	if first := tr.points[0].at; first != 0 {
		t.Errorf("begins at %s", first)
	}
}

func TestTrailsFollowPacksAndLinks(t *testing.T) {
	wall := time.Date(2026, 3, 14, 18, 0, 0, 0, time.UTC)
	snap := func(up time.Duration, volts float64) *status.Snapshot {
		return &status.Snapshot{
			ClockSet: true, Taken: alarm.Instant{Up: up, Wall: wall.Add(up)},
			Packs: []status.Pack{{Name: "a", Reading: sensors.Reading{PackV: volts}, ReadingKnown: true, ReadingUp: up,
				Forecast: pack.Forecast{Known: true, Expected: time.Hour, Low: 50 * time.Minute, High: 80 * time.Minute, CutoffV: 15}}},
			Targets: []status.Target{
				{Name: "mast", Section: probes.Hop, Kind: probes.Latency, LastKnown: true, Last: probes.Result{Start: wall.Add(up.Truncate(time.Minute)),
					Latency: &probes.LatencyStats{Sent: 10, Lost: 10}}},
				{Name: "wide", Section: probes.Uplink, Kind: probes.Throughput, LastKnown: true, Last: probes.Result{Throughput: &probes.ThroughputStats{}}},
			},
		}
	}
	tr := newTrails()
	var s *status.Snapshot
	for up := time.Duration(0); up <= 2*time.Minute; up += time.Second {
		s = snap(up, 18-up.Minutes())
		tr.see(s)
	}
	c := tr.curves(s)
	now := float64(wall.Add(2 * time.Minute).Unix())
	p := c.Packs[0]
	if c.Now != now || len(p.At) != 13 || p.At[0] != now-120 || p.At[12] != now || p.Volts[0] != math.Round(1000*(18-9.0/60))/1000 {
		t.Errorf("now %g, times %v, volts %v", c.Now, p.At, p.Volts)
	}
	if p.Low != now+3000 || p.Expected != now+3600 || p.High != now+4800 || p.CutoffV != 15 {
		t.Errorf("forecast %+v", p)
	}
	// A look without an answer has no figure, and the same probe counts once.
	if l := c.Links; len(l) != 1 || !l[0].Near || len(l[0].At) != 3 || l[0].Ms[0] != nil || l[0].Loss[0] != 1 {
		t.Errorf("links %+v", c.Links)
	}

	// Another pack begins another curve; a reading that went stale adds nothing.
	s = snap(3*time.Minute, 20)
	s.Packs[0].Swaps = 1
	tr.see(s)
	stale := snap(4*time.Minute, 20)
	stale.Packs[0].Swaps, stale.Packs[0].Stale = 1, true
	tr.see(stale)
	if p := tr.curves(s).Packs[0]; len(p.At) != 1 || p.Volts[0] != 20 {
		t.Errorf("after a swap: %v %v", p.At, p.Volts)
	}

	// Without a set clock the times are those of the agent's own line.
	s.ClockSet = false
	if c := tr.curves(s); c.ClockSet || c.Now != 180 || c.Packs[0].At[0] != 180 {
		t.Errorf("clock not set: %+v", c)
	}
}

func TestTrailsOfManyAreBounded(t *testing.T) {
	tr := newTrails()
	s := &status.Snapshot{}
	for i := range 200 {
		s.Packs = append(s.Packs, status.Pack{Name: string(rune('a' + i)), ReadingKnown: true})
	}
	tr.see(s)
	if len(tr.packs) != mostTrails {
		t.Errorf("%d trails", len(tr.packs))
	}
	if c := tr.curves(s); len(c.Packs) != 200 || len(c.Packs[199].At) != 0 {
		t.Errorf("%d curves", len(c.Packs))
	}
}
