package schedule

import (
	"fmt"
	"slices"
	"time"

	"candlemark/probes"
)

// Quiet says when the link is quiet enough for a transfer, and how long one waits
// for that. The zero value never waits.
type Quiet struct {
	BytesPerS float64       // others' data on the way out above this are no quiet; 0 does not look
	Wait      time.Duration // the longest wait
}

const (
	quietWindow = 5 * time.Second  // over which others' data are counted
	quietAge    = 30 * time.Second // that a count stays good
	riseLeast   = 20 * time.Millisecond
	riseShare   = 0.5       // of the idle round trip
	idleOver    = time.Hour // in which the least round trip is the idle one
	idleKept    = 240       // round trips
	lookAge     = 2*time.Minute + 30*time.Second
)

// quiet gathers what tells how busy the link is with what others do.
type quiet struct {
	config Quiet

	counting bool
	since    time.Duration // the window's beginning
	first    uint64
	own      int64
	rate     float64 // bytes a second
	rateUp   time.Duration
	rated    bool

	target string // whose round trips are looked at: the first of the uplink
	idle   []look // in order
	loaded time.Duration
	known  bool // loaded
}

type look struct {
	up  time.Duration
	rtt time.Duration
}

// traffic takes a count. idle is false while a probe runs or nobody counts.
func (q *quiet) traffic(up time.Duration, total uint64, own int64, idle bool) {
	switch {
	case !idle || q.counting && total < q.first: // a counter that was set back
		q.counting = false
		return
	case !q.counting:
		q.counting, q.since, q.first, q.own = true, up, total, 0
		return
	}
	q.own += max(own, 0)
	if d := up - q.since; d >= quietWindow {
		q.rate = max(float64(total-q.first)-float64(q.own), 0) / d.Seconds()
		q.rateUp, q.rated = up, true
		q.counting, q.since, q.first, q.own = true, up, total, 0
	}
}

// disturbed begins a new count: a probe has ended.
func (q *quiet) disturbed() { q.counting = false }

// saw keeps round trips of the first uplink target that has any, and what the link's round
// trip was under the last transfer.
func (q *quiet) saw(r probes.Result, up time.Duration) {
	if r.Section != probes.Uplink {
		return
	}
	if t := r.Throughput; t != nil {
		for _, d := range []*probes.Transfer{t.DownDetail, t.UpDetail} {
			if d != nil && d.Loaded != nil && d.Loaded.RTTKnown {
				q.loaded, q.known = d.Loaded.Median, true
				break
			}
		}
		return
	}
	l := r.Latency
	if l == nil || !l.RTTKnown {
		return
	}
	if q.target == "" {
		q.target = r.Target
	}
	if q.target != r.Target {
		return
	}
	q.idle = append(q.idle, look{up, l.Median})
	q.idle = slices.DeleteFunc(q.idle, func(k look) bool { return up-k.up > idleOver })
	q.idle = q.idle[max(len(q.idle)-idleKept, 0):]
}

// busy says why the link is not quiet, "" where nothing shows that.
func (q *quiet) busy(now time.Duration) string {
	if q.config.Wait <= 0 {
		return ""
	}
	if q.rated && q.config.BytesPerS > 0 && now-q.rateUp <= quietAge && q.rate > q.config.BytesPerS {
		return fmt.Sprintf("others move %.0f kB/s on it", q.rate/1e3)
	}
	if len(q.idle) < 3 {
		return ""
	}
	last, least := q.idle[len(q.idle)-1], q.idle[0].rtt
	for _, k := range q.idle {
		least = min(least, k.rtt)
	}
	bound := least + max(riseLeast, time.Duration(riseShare*float64(least)))
	if q.known && q.loaded > bound { // nearer to what it is under load than to what it is idle
		bound = least + (q.loaded-least)/2
	}
	if now-last.up <= lookAge && last.rtt > bound {
		return fmt.Sprintf("its round trip is %.0f ms, idle %.0f ms", ms(last.rtt), ms(least))
	}
	return ""
}

func ms(d time.Duration) float64 { return float64(d) / float64(time.Millisecond) }
