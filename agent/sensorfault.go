package agent

import (
	"fmt"
	"math"
	"time"

	"candlemark/agent/alarm"
	"candlemark/agent/pack"
	"candlemark/sensors"
)

// frozen watches for a sensor that shows one value for ever: a chip or a bus that
// hangs and still answers.
type frozen struct {
	packV, packA float64
	same         int           // readings after the first that were equal to it
	since        time.Duration // when the value was first shown
}

const (
	// frozenReads and frozenFor are how many equal readings, over how long, are no
	// news any more. A converter's last digit moves sooner under any load but a
	// laboratory's, and there nothing is lost: the charge is counted on, see stood.
	frozenReads = 5
	frozenFor   = 90 * time.Second
	// frozenTell is when it is told as a fault of the sensor.
	frozenTell = 15 * time.Minute
)

// take notes a reading and says whether it is one too many of its kind.
func (f *frozen) take(r sensors.Reading, up time.Duration) bool {
	if f.same == 0 && f.since == 0 || r.PackV != f.packV || r.PackA != f.packA {
		*f = frozen{packV: r.PackV, packA: r.PackA, since: up}
		return false
	}
	f.same++
	return f.same >= frozenReads && up-f.since >= frozenFor
}

// stood carries the estimate over a reading that is no news. The estimator is not
// shown it: its voltage would speak of a pack that does not fall, thus of a larger
// one. The forecast goes by the clock, and once another reading comes the estimator
// counts the charge of the time between, as over any gap.
func (s *State) stood(t *packTrack, at alarm.Instant) []Effect {
	long := at.Up - t.frozen.since
	if t.frozen.packA <= 0 || !t.hasFc || t.forecast.State != pack.Discharging {
		t.readingUp = at.Up // at rest nothing moves, and nothing runs out
		return nil
	}
	if long >= frozenTell {
		return s.sensorFailed(t, ReadFailed{At: at, Pack: t.Name, Counts: t.counts,
			Err: fmt.Sprintf("the same reading for %s and more: sensor or bus hangs", frozenTell)})
	}
	t.forecast = aged(t.forecast, at.Up-t.readingUp)
	t.readingUp = at.Up
	return nil
}

// aged is a forecast d later, when nothing was learned meanwhile.
func aged(f pack.Forecast, d time.Duration) pack.Forecast {
	if !f.Known {
		return f
	}
	if f.Expected > 0 {
		f.ChargeRatio *= float64(max(f.Expected-d, 0)) / float64(f.Expected)
	}
	// Not to zero: that the cut-off was reached, only a reading can say.
	f.Expected = max(f.Expected-d, min(f.Expected, time.Second))
	f.Low, f.High, f.Cautious = max(f.Low-d, 0), max(f.High-d, f.Expected), max(f.Cautious-d, 0)
	return f
}

// unclip puts a likelier current in place of one that was clipped.
type unclip struct {
	watts float64 // power of the newest reading that was not clipped
}

// mostClipped bounds what is taken to be hidden beyond the range, as a factor.
const mostClipped = 1.5

// take gives the current to count with. A clipped one is only a lower bound; where
// the load drew more just before, it is taken to go on: behind a converter the
// current rises as the voltage falls, until it leaves the range.
func (u *unclip) take(r sensors.Reading) float64 {
	if !r.Clipped {
		if w := r.PackV * r.PackA; !math.IsNaN(w) && !math.IsInf(w, 0) {
			u.watts = w
		}
		return r.PackA
	}
	if !(r.PackV > 0) {
		return r.PackA
	}
	return max(r.PackA, min(u.watts/r.PackV, mostClipped*r.PackA))
}
