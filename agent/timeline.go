package agent

import (
	"time"

	"candlemark/agent/alarm"
)

// timeline turns times into instants of the agent's own time line. Its speed is
// 1 except in a demonstration, where a simulated hour passes in seconds; the
// simulated sensors stamp their readings on the sped-up line themselves.
type timeline struct {
	start time.Time // keeps its monotonic reading
	speed float64
	right func(time.Time) time.Time // the time of day that a reading of the board's clock stands for; nil for itself
}

// now is the present.
func (t timeline) now() alarm.Instant { return t.lived(time.Now()) }

// lived is the instant of a time in real life.
func (t timeline) lived(at time.Time) alarm.Instant {
	up := time.Duration(float64(at.Sub(t.start)) * t.speed)
	return alarm.Instant{Up: up, Wall: t.wall(up, at)}
}

// of is the instant of a time that a sensor stamped.
func (t timeline) of(at time.Time) alarm.Instant {
	up := at.Sub(t.start)
	return alarm.Instant{Up: up, Wall: t.wall(up, at)}
}

// wall is what the clock on the wall said. At speed 1 it is read afresh, so that
// a clock that was set meanwhile shows; sped up, it runs with the time line.
func (t timeline) wall(up time.Duration, at time.Time) time.Time {
	switch {
	case t.speed == 1 && t.right != nil:
		return t.right(at)
	case t.speed == 1:
		return at.Round(0)
	}
	return t.start.Round(0).Add(up)
}

// scaled is how long d of the agent's time takes in real time.
func (t timeline) scaled(d time.Duration) time.Duration {
	return max(time.Duration(float64(d)/t.speed), time.Millisecond)
}
