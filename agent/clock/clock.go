// Package clock decides whether the time of day is known, and puts times to what
// was noted by uptime before it was.
//
// # Model
//
// A board without a clock chip boots in the past; what its system clock says is
// no evidence. Everything is therefore noted by boot and uptime, and a boot's
// times follow from one figure, the wall time of its uptime zero, learnt from
// the best of: the kernel, whose clock a time service keeps; the operator, who
// set it for this boot; a clock chip that the configuration vouches for and that
// agrees with the system clock. Once learnt it holds to the end of the boot: the
// time service may fall silent, and a system clock that is then moved by hand, or
// jumps, is not believed.
//
// A better source corrects the whole boot. So does a jump by the source that
// stands, since its newest word is taken for the right one; but a step that fits
// the drift of a crystal left alone (200 ppm at most; common practice, no source)
// is spread evenly over the time it was left alone. Either way the times of one
// boot grow with its uptime, however the system clock moved.
//
// Being newer than the program, and for chip and operator newer than what the
// journal last knew, is needed and proves nothing: a clock saved to a file lags
// by the whole time the board was off.
//
// Limits: what an earlier boot noted without ever learning the time has none: how
// long the board was off is not known. A time service that is wrong is believed.
// Leap seconds are steps of one second. The package has no clock of its own:
// times come in as values; package board reads them.
package clock

import (
	"errors"
	"fmt"
	"slices"
	"time"
)

// Source says who knows the time.
type Source string

const (
	None     Source = ""
	Chip     Source = "clock chip"
	Operator Source = "operator"
	Kernel   Source = "time service"
)

// rank orders the sources; the higher corrects the lower.
func (s Source) rank() int { return slices.Index([]Source{None, Chip, Operator, Kernel}, s) }

const (
	// tolerance of two readings of the same clock: both clocks are read one
	// after the other on a busy board.
	tolerance = 250 * time.Millisecond
	// driftPerSecond bounds what a crystal that nobody corrects gains or loses.
	driftPerSecond = 200 * time.Microsecond
	mostEras       = 64
	longestAhead   = 30 * 365 * 24 * time.Hour // of the program's age: beyond, it is rubbish
)

// Evidence is what the board says at one moment.
type Evidence struct {
	Boot         string
	Up           time.Duration // since boot, with what was slept
	Wall         time.Time     // the system clock
	Synchronised bool          // the kernel says a time service keeps it
	ChipAgrees   bool          // a chip that is vouched for says the same
}

// Era is a stretch of a boot over which the system clock did not step.
type Era struct {
	Boot   string        `json:"boot"`
	From   time.Duration `json:"from_ns"` // uptime
	Zero   time.Time     `json:"zero"`    // the wall time of uptime 0
	Source Source        `json:"source"`
	Seen   time.Duration `json:"seen_ns"` // the last uptime at which the source bore it out
	// Till is where it ended, by the drift from Seen on to ZeroTill; 0 while it lasts.
	Till     time.Duration `json:"till_ns,omitempty"`
	ZeroTill time.Time     `json:"zero_till,omitzero"`
}

// at is the wall time at an uptime of the era.
func (e Era) at(up time.Duration) time.Time {
	zero := e.Zero
	if e.Till > e.Seen && up > e.Seen {
		part := float64(min(up, e.Till)-e.Seen) / float64(e.Till-e.Seen)
		zero = zero.Add(time.Duration(part * float64(e.ZeroTill.Sub(e.Zero))))
	}
	return zero.Add(up)
}

// State is what is worth keeping over a restart.
type State struct {
	Eras   []Era     `json:"eras"`   // oldest first
	Latest time.Time `json:"latest"` // the newest time that was known
}

// Clock is a value; its methods return the changed clock and leave it as it was.
type Clock struct {
	state State
	built time.Time // of the program
	floor time.Time // the newest time known before this start
}

// New resumes from what an earlier run saved. No time before built is believed.
func New(saved State, built time.Time) Clock {
	// What was saved comes from a file and is not trusted to be in order.
	saved.Eras = slices.DeleteFunc(slices.Clone(saved.Eras), func(e Era) bool {
		return e.Source.rank() <= 0 || e.Zero.Before(built.Add(-longestAhead)) || e.Zero.After(built.Add(longestAhead)) ||
			e.From < 0 || e.Seen < e.From || e.Till != 0 && e.Till <= e.Seen
	})
	return Clock{state: saved, built: built, floor: saved.Latest}
}

// State is what to keep.
func (c Clock) State() State { return c.state }

// Source says who knows the time in this boot, None when nobody does.
func (c Clock) Source(boot string) Source {
	if i := c.open(boot); i >= 0 {
		return c.state.Eras[i].Source
	}
	return None
}

// open is the index of the boot's present era, or -1.
func (c Clock) open(boot string) int {
	for i, e := range slices.Backward(c.state.Eras) {
		if e.Boot == boot && e.Till == 0 {
			return i
		}
	}
	return -1
}

// Wall is the time of day at an uptime of a boot, where it is known.
func (c Clock) Wall(boot string, up time.Duration) (time.Time, bool) {
	found := -1
	for i, e := range c.state.Eras {
		// What was noted before the first era belongs to it.
		if e.Boot == boot && (found < 0 || up >= e.From) {
			found = i
		}
	}
	if found < 0 {
		return time.Time{}, false
	}
	return c.state.Eras[found].at(up), true
}

// Observe takes in what the board says. It is called about once a second.
func (c Clock) Observe(e Evidence) Clock {
	source := None
	switch {
	case e.Synchronised && c.plausible(e.Wall, Kernel):
		source = Kernel
	case e.ChipAgrees && c.plausible(e.Wall, Chip):
		source = Chip
	default:
		return c
	}
	return c.learn(e.Boot, e.Up, e.Wall, source)
}

// ErrKept answers an operator who would set a clock that a time service keeps.
var ErrKept = errors.New("a time service keeps this clock")

// Set takes the operator's word for the time at an uptime of this boot.
func (c Clock) Set(boot string, up time.Duration, wall time.Time) (Clock, error) {
	if i := c.open(boot); i >= 0 && c.state.Eras[i].Source == Kernel {
		if off := wall.Sub(c.state.Eras[i].at(up)); off.Abs() > 2*time.Second {
			return c, fmt.Errorf("set the clock: %w, and it differs by %v", ErrKept, off.Round(time.Second))
		}
		return c, nil
	}
	if !c.plausible(wall, Operator) {
		return c, fmt.Errorf("set the clock: %s is before %s, which the journal has seen, or far ahead", wall.UTC().Format(time.RFC3339), c.notBefore(Operator).UTC().Format(time.RFC3339))
	}
	return c.learn(boot, up, wall, Operator), nil
}

func (c Clock) notBefore(s Source) time.Time {
	// A time service may correct what it, or another, got wrong in an earlier boot.
	if s == Kernel || c.floor.Before(c.built) {
		return c.built
	}
	return c.floor
}

func (c Clock) plausible(wall time.Time, s Source) bool {
	return !wall.Before(c.notBefore(s)) && wall.Before(c.built.Add(longestAhead))
}

// learn takes source's word that wall was the time at up.
func (c Clock) learn(boot string, up time.Duration, wall time.Time, source Source) Clock {
	zero := wall.Add(-up).Round(0).UTC()
	fresh := Era{Boot: boot, From: up, Zero: zero, Source: source, Seen: up}
	i := c.open(boot)
	if i < 0 {
		return c.with(append(slices.Clone(c.state.Eras), fresh), wall)
	}
	now := c.state.Eras[i]
	if source.rank() < now.Source.rank() || up < now.Seen {
		return c
	}
	eras := slices.Clone(c.state.Eras)
	step, alone := zero.Sub(now.Zero), up-now.Seen
	drift := min(tolerance+alone/time.Duration(time.Second/driftPerSecond), alone/2)
	switch {
	case source == Operator && now.Source == Operator || step.Abs() > tolerance && (source != now.Source || step.Abs() > drift):
		// A correction: it holds for the whole boot.
		fresh.From = now.From
		for _, e := range eras {
			if e.Boot == boot {
				fresh.From = min(fresh.From, e.From)
			}
		}
		eras = append(slices.DeleteFunc(eras, func(e Era) bool { return e.Boot == boot }), fresh)
	case step.Abs() > tolerance:
		eras[i].Till, eras[i].ZeroTill = up, zero
		eras = append(eras, fresh)
	default:
		eras[i].Source, eras[i].Seen = source, up
	}
	return c.with(eras, wall)
}

func (c Clock) with(eras []Era, wall time.Time) Clock {
	c.state.Eras = eras[max(len(eras)-mostEras, 0):]
	c.state.Latest = wall.Round(0).UTC()
	return c
}
