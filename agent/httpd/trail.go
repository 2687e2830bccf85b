package httpd

import (
	"cmp"
	"math"
	"sync"
	"time"

	"candlemark/agent/status"
	"candlemark/probes"
)

// What the trails may hold: 360 points are about as many as a phone has columns.
const (
	trailPoints = 360
	trailStep   = 10 * time.Second // between points at first; doubles whenever a trail is full
	mostTrails  = 64               // packs and links together
)

// trails keeps what the plots show, in memory, since the agent started: at most
// mostTrails × trailPoints points of 32 bytes, 0.7 MB; one pack and two links
// take 35 kB. It is safe for several goroutines.
type trails struct {
	mu    sync.Mutex
	packs map[string]*packTrail
	links map[string]*linkTrail
	count int // of points ever added, so that a page knows whether there is anything new
}

type packTrail struct {
	trail
	swaps uint64
	mark  string
}

type linkTrail struct {
	trail
	newest time.Time // start of the probe that was taken last
}

func newTrails() *trails {
	return &trails{packs: map[string]*packTrail{}, links: map[string]*linkTrail{}}
}

// point is one step of a trail. Of a pack, low is the lowest voltage in it. Of a
// link, low is the longest median round trip in ms, where known.
type point struct {
	at         time.Duration // on the agent's time line
	low        float64
	known      bool
	sent, lost int
}

// merge makes one of two points and keeps what matters of each: the sag, the
// slowest answer, every packet.
func (p point) merge(q point, worst func(a, b float64) float64) point {
	switch {
	case p.known && q.known:
		p.low = worst(p.low, q.low)
	case q.known:
		p.low, p.known = q.low, true
	}
	p.sent, p.lost = p.sent+q.sent, p.lost+q.lost
	return p
}

// trail is a bounded line through time.
type trail struct {
	step   time.Duration
	points []point
}

// add takes p, into the last point where that is closer than a step.
func (t *trail) add(p point, worst func(a, b float64) float64) (grew bool) {
	t.step = max(t.step, trailStep)
	if n := len(t.points); n > 0 && p.at-t.points[n-1].at < t.step {
		t.points[n-1] = t.points[n-1].merge(p, worst)
		return false
	}
	if len(t.points) == trailPoints {
		half := t.points[:0]
		for i := 0; i+1 < trailPoints; i += 2 {
			half = append(half, t.points[i].merge(t.points[i+1], worst))
		}
		t.points, t.step = half, 2*t.step
	}
	t.points = append(t.points, p)
	return true
}

// see takes in the newest picture.
func (t *trails) see(s *status.Snapshot) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for i := range s.Packs {
		p := &s.Packs[i]
		if !p.ReadingKnown || p.Stale || math.IsNaN(p.Reading.PackV) {
			continue
		}
		tr := t.packs[p.Name]
		// Another pack begins another curve.
		if tr == nil || tr.swaps != p.Swaps || tr.mark != p.Mark {
			if tr == nil && len(t.packs)+len(t.links) >= mostTrails {
				continue
			}
			tr = &packTrail{swaps: p.Swaps, mark: p.Mark}
			t.packs[p.Name] = tr
		}
		if tr.add(point{at: p.ReadingUp, low: p.Reading.PackV, known: true}, math.Min) {
			t.count++
		}
	}
	for i := range s.Targets {
		l := &s.Targets[i]
		if !l.LastKnown || l.Last.Latency == nil {
			continue
		}
		tr := t.links[l.Name]
		if tr == nil {
			if len(t.packs)+len(t.links) >= mostTrails {
				continue
			}
			tr = &linkTrail{}
			t.links[l.Name] = tr
		}
		if l.Last.Start.Equal(tr.newest) {
			continue
		}
		tr.newest = l.Last.Start
		p := point{at: s.Taken.Up, sent: l.Last.Latency.Sent, lost: l.Last.Latency.Lost}
		if l.Last.Latency.RTTKnown {
			p.low, p.known = float64(l.Last.Latency.Median)/float64(time.Millisecond), true
		}
		if tr.add(p, math.Max) {
			t.count++
		}
	}
}

// added says how many points there have been, to notice a new one.
func (t *trails) added() int {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.count
}

// curves is what the plots need. Times are seconds since 1970 by the board's
// clock; where it is not set they are seconds of the agent's own time line.
type curves struct {
	Now      float64     `json:"now"`
	ClockSet bool        `json:"clock_set"`
	OffsetS  int         `json:"offset_s"` // the board's local time ahead of UTC
	Packs    []packCurve `json:"packs"`
	Links    []linkCurve `json:"links"`
}

type packCurve struct {
	Name  string    `json:"name"`
	At    []float64 `json:"at"`
	Volts []float64 `json:"volts"` // the lowest around that time

	Known    bool    `json:"known"` // there is a forecast; the rest is valid then
	CutoffV  float64 `json:"cutoff_v"`
	Low      float64 `json:"low"` // when the cut-off is reached, at the earliest of 20
	Expected float64 `json:"expected"`
	High     float64 `json:"high"`
}

type linkCurve struct {
	Name string     `json:"name"`
	Near bool       `json:"near"` // the hop, not the uplink
	At   []float64  `json:"at"`
	Ms   []*float64 `json:"ms"`   // round trip; null where nothing answered
	Loss []float64  `json:"loss"` // share of packets, 0..1
}

// curves are the trails as they are now, in the order of the snapshot.
func (t *trails) curves(s *status.Snapshot) curves {
	t.mu.Lock()
	defer t.mu.Unlock()
	now := s.Taken.Up.Seconds()
	c := curves{ClockSet: s.ClockSet && !s.Taken.Wall.IsZero(), Packs: []packCurve{}, Links: []linkCurve{}}
	if c.ClockSet {
		now = float64(s.Taken.Wall.UnixMilli()) / 1000
		_, c.OffsetS = s.Taken.Wall.Local().Zone()
	}
	c.Now = math.Round(now)
	at := func(up time.Duration) float64 { return math.Round(now - (s.Taken.Up - up).Seconds()) }
	for i := range s.Packs {
		p := &s.Packs[i]
		pc := packCurve{Name: p.Name, At: []float64{}, Volts: []float64{}}
		if tr := t.packs[p.Name]; tr != nil {
			for _, x := range tr.points {
				pc.At, pc.Volts = append(pc.At, at(x.at)), append(pc.Volts, math.Round(1000*x.low)/1000)
			}
		}
		if f := p.Forecast; f.Known {
			pc.Known, pc.CutoffV = true, f.CutoffV
			pc.Low, pc.Expected, pc.High = at(s.Taken.Up+f.Low), at(s.Taken.Up+f.Expected), at(s.Taken.Up+f.High)
		}
		c.Packs = append(c.Packs, pc)
	}
	for i := range s.Targets {
		l := &s.Targets[i]
		tr := t.links[l.Name]
		if l.Kind != probes.Latency {
			continue
		}
		lc := linkCurve{Name: l.Name, Near: l.Section == probes.Hop, At: []float64{}, Ms: []*float64{}, Loss: []float64{}}
		for _, x := range cmp.Or(tr, &linkTrail{}).points {
			lc.At, lc.Loss = append(lc.At, at(x.at)), append(lc.Loss, float64(x.lost)/float64(max(x.sent, 1)))
			var ms *float64
			if x.known {
				v := math.Round(100*x.low) / 100
				ms = &v
			}
			lc.Ms = append(lc.Ms, ms)
		}
		c.Links = append(c.Links, lc)
	}
	return c
}
