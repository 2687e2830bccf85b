package feed

import (
	"fmt"
	"time"

	"candlemark/agent/pack"
)

// String says the schedule in words.
func (s Schedule) String() string { return "on for " + words(s.On) + " in every " + words(s.Every) }

// duty is the share of time on.
func (s Schedule) duty() float64 { return float64(s.On) / float64(s.Every) }

// Runtime is how long the pack lasts at some mean load.
type Runtime struct {
	MeanW               float64 // W
	Expected, Low, High time.Duration
}

// Offer is what a schedule would buy, to be shown before it is accepted.
type Offer struct {
	Schedule Schedule
	Useful   time.Duration // of each on phase, after start-up and before the shutdown
	// On is with the feed on all the time, Then is with the schedule; valid where Known.
	On, Then Runtime
	Known    bool
	Why      string // when not Known
	Text     string // all of it in words
}

// Offer computes what s would buy, or refuses it. It changes nothing.
func (m *Machine) Offer(s Schedule) (Offer, error) {
	useful := s.On - m.setup.StartUp - m.setup.closeFor()
	switch {
	case s.On <= 0 || s.Every <= 0:
		return Offer{}, refuse("a schedule needs two times, for example on for 10 min in every hour")
	case s.Every < leastPeriod:
		return Offer{}, refuse("a period of %s is shorter than %s; it would wear the contact and the terminal", words(s.Every), words(leastPeriod))
	case s.Every-s.On < leastOff:
		return Offer{}, refuse("%s leaves less than %s off, which saves nothing", s, words(leastOff))
	case s.Every-s.On > m.setup.LongestOff:
		return Offer{}, refuse("%s is off for longer than the limit of %s", s, words(m.setup.LongestOff))
	case useful <= 0:
		return Offer{}, refuse("on for %s gives no working link: the terminal takes %s to start and %s to shut down", words(s.On), words(m.setup.StartUp), words(m.setup.closeFor()))
	}
	o := Offer{Schedule: s, Useful: useful}
	switch {
	case !m.fresh():
		o.Why = "the pack is not being measured"
	case !m.settled():
		o.Why = "the load has not settled since the feed was switched; ask again in a minute or two"
	default:
		o.On, o.Then, o.Why = m.runtimes(s.duty())
	}
	o.Known = o.Why == ""
	if !o.Known {
		o.On, o.Then = Runtime{}, Runtime{}
	}
	o.Text = o.text()
	return o, nil
}

// runtimes compares the feed on all the time with a share of it. The energy is
// that of the forecast, which was made at another load; see the package comment.
func (m *Machine) runtimes(duty float64) (always, then Runtime, why string) {
	f := m.in.Forecast
	if !f.Known || f.State != pack.Discharging {
		why = "there is no forecast"
		if f.Why != "" {
			why += ": " + f.Why
		}
		return always, then, why
	}
	alwaysW, baseW, ok := f.LoadW, f.LoadW, false
	if m.on {
		baseW, ok = m.baseLoad(f.LoadW)
	} else {
		alwaysW, ok = m.onLoad(f.LoadW)
	}
	if !ok {
		return always, then, "the terminal's power is not configured, and the loads with it on and off were not both measured"
	}
	at := func(toW float64) (Runtime, bool) {
		e, ok1 := scale(f.Expected, f.LoadW, toW)
		l, ok2 := scale(f.Low, f.LoadW, toW)
		h, ok3 := scale(f.High, f.LoadW, toW)
		return Runtime{toW, e, l, h}, ok1 && ok2 && ok3
	}
	var ok1, ok2 bool
	always, ok1 = at(alwaysW)
	then, ok2 = at(baseW + duty*(alwaysW-baseW))
	if !ok1 || !ok2 {
		why = "the forecast's figures cannot be used"
	}
	return always, then, why
}

func (o Offer) text() string {
	text := fmt.Sprintf("%s, of which %s with a working link", o.Schedule, words(o.Useful))
	if !o.Known {
		return text + "; what it would buy is not known yet: " + o.Why
	}
	return text + "; " + o.Then.text() + ", against " + o.On.text() + " with the feed on all the time; an estimate, no promise"
}

func (r Runtime) text() string {
	return fmt.Sprintf("about %s (9 in 10: %s to %s) at a mean of %.1f W", pack.Left(r.Expected), pack.Left(r.Low), pack.Left(r.High), r.MeanW)
}
