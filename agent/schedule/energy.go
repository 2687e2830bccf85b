package schedule

import (
	"math"
	"slices"
	"time"
)

const (
	idleWindow  = time.Minute // before a probe, for the power it is held against
	settleTime  = time.Second // after a probe, in which the radio still draws
	leastIdle   = 3           // readings
	leastDuring = 2
	mostSamples = 400 // of each pack
	keepSamples = 5 * time.Minute
)

// Cost is the energy of one probe over what would have been drawn without it.
type Cost struct {
	Wh      float64
	ErrorWh float64 // standard error, from the scatter of the readings
	Known   bool
	Why     string // when not Known
}

// Energy is what a day's probes cost.
type Energy struct {
	Wh         float64 `json:"wh"`         // of those that were measured
	Measured   int     `json:"measured"`   // probes
	Unmeasured int     `json:"unmeasured"` // probes whose cost is not known
}

// Add counts a probe.
func (e *Energy) Add(c Cost) {
	if !c.Known {
		e.Unmeasured++
		return
	}
	e.Wh += c.Wh
	e.Measured++
}

func (e *Energy) join(o Energy) {
	e.Wh += o.Wh
	e.Measured += o.Measured
	e.Unmeasured += o.Unmeasured
}

// sound is what may be believed of a saved value.
func (e Energy) sound() Energy {
	if math.IsNaN(e.Wh) || math.IsInf(e.Wh, 0) || e.Measured < 0 || e.Unmeasured < 0 {
		return Energy{}
	}
	return e
}

// SpendEnergy counts a probe's energy on the present day.
func (s *Schedule) SpendEnergy(c Cost) { s.days.now().Energy.Add(c) }

// Meter holds the packs' own readings against each other: those during a probe
// against those just before it. It is not safe for concurrent use.
type Meter struct {
	packs map[string][]powered
	freed time.Duration // when the last probe was over
	ended bool          // there was one
}

type powered struct {
	up time.Duration
	w  float64
	ok bool
}

// Read takes a reading of a pack, positive while it is discharged. ok is false for
// one that does not tell the load: the pack is charged, or the sensor clipped.
func (m *Meter) Read(pack string, up time.Duration, loadW float64, ok bool) {
	if m.packs == nil {
		m.packs = map[string][]powered{}
	}
	all := append(m.packs[pack], powered{up, loadW, ok && !math.IsNaN(loadW) && !math.IsInf(loadW, 0)})
	all = slices.DeleteFunc(all, func(p powered) bool { return up-p.up > keepSamples })
	m.packs[pack] = all[max(len(all)-mostSamples, 0):]
}

// Forget drops what was read of a pack: another one is in place.
func (m *Meter) Forget(pack string) { delete(m.packs, pack) }

// Probe ends a probe that ran from begin to end, and gives its cost.
func (m *Meter) Probe(begin, end time.Duration) (c Cost) {
	from := begin - idleWindow
	if m.ended {
		from = max(from, m.freed+settleTime)
	}
	m.freed, m.ended = end, true
	if len(m.packs) == 0 {
		return Cost{Why: "no pack is read"}
	}
	var variance float64
	hours := (end - begin).Hours()
	for _, all := range m.packs {
		idle, ok1 := window(all, from, begin)
		during, ok2 := window(all, begin, end)
		switch {
		case !ok1 || !ok2:
			return Cost{Why: "a pack was charged, or its sensor clipped"}
		case len(idle) < leastIdle:
			return Cost{Why: "too few readings before it"}
		case len(during) < leastDuring:
			return Cost{Why: "too few readings during it"}
		}
		before, vb := meanVariance(idle)
		then, vt := meanVariance(during)
		c.Wh += (then - before) * hours
		variance += (vb/float64(len(idle)) + vt/float64(len(during))) * hours * hours
	}
	c.ErrorWh, c.Known = math.Sqrt(variance), true
	return c
}

// window is the power of the readings after from, up to to; ok is false where one
// does not tell the load.
func window(all []powered, from, to time.Duration) (w []float64, ok bool) {
	for _, p := range all {
		if p.up > from && p.up <= to {
			if !p.ok {
				return nil, false
			}
			w = append(w, p.w)
		}
	}
	return w, true
}

func meanVariance(w []float64) (mean, variance float64) {
	for _, v := range w {
		mean += v / float64(len(w))
	}
	for _, v := range w {
		variance += (v - mean) * (v - mean) / float64(max(len(w)-1, 1))
	}
	return mean, variance
}
