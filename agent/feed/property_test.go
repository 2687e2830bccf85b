package feed

import (
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"pgregory.net/rapid"

	"candlemark/agent/alarm"
	"candlemark/agent/pack"
)

// world is a board, a pack and people, in true time. It shares with the machine
// only what a board could know.
type world struct {
	t     *rapid.T
	setup Setup
	m     *Machine

	now      time.Duration // true time
	bootAt   time.Duration // of the present boot
	lineAt   time.Duration // when the agent started
	boot     int
	wall     time.Duration // the wall clock's error
	clockSet bool
	in       Inputs
	saved    *Saved // what a restart finds

	on       bool // the contact
	dead     bool // killed in the middle of the effects
	killAt   int  // the effect before which it is killed; -1 never
	cut      bool // the contact was opened by a shedding and may only close for cause
	cause    bool
	deadline time.Duration // by which an off must have ended; valid where asked
	asked    bool
	charging time.Duration // since when, unbroken; -1
}

func (w *world) step(d time.Duration) {
	w.now += d
	w.in.Now = alarm.Instant{Up: w.now - w.lineAt, Wall: noon.Add(w.now + w.wall)}
	w.in.ClockSet = w.clockSet
	if w.in.Seen {
		w.in.ReadingUp = w.in.Now.Up
	}
	w.watchCharge()
	w.perform(w.m.Step(w.in))
	w.check()
}

// perform carries effects out up to the kill.
func (w *world) perform(effects []Effect) {
	for i, e := range effects {
		if i == w.killAt {
			w.dead, w.killAt = true, -1
			w.restart(false, 0)
			return
		}
		switch e := e.(type) {
		case Save:
			data, err := json.Marshal(e.State)
			if err != nil {
				w.t.Fatal(err)
			}
			w.saved = &Saved{}
			if err := json.Unmarshal(data, w.saved); err != nil {
				w.t.Fatal(err)
			}
		case Set:
			if e.Who == "" || e.Why == "" {
				w.t.Fatalf("switched %s without saying who and why: %+v", word(e.On), e)
			}
			if e.On && !w.on && w.cut && !w.cause {
				w.t.Fatalf("the feed came back after a shedding without a swap, charge or the operator: %s", e.Why)
			}
			if w.saved != nil && w.saved.On != e.On {
				w.t.Fatalf("switched %s before that was saved", word(e.On))
			}
			w.on = e.On
			if e.On {
				w.asked = false
			}
			w.cut = w.cut && !e.On
		}
	}
	w.killAt = -1
}

func (w *world) restart(reboot bool, away time.Duration) {
	w.now += away
	if reboot {
		w.boot++
		w.bootAt = w.now
	}
	w.lineAt = w.now
	start := Start{BootID: fmt.Sprint("b", w.boot), BootUp: w.now - w.bootAt}
	if w.saved == nil {
		w.m = New(w.setup, start)
	} else {
		w.m = Resume(w.setup, start, *w.saved)
	}
	w.charging = -1
	if away > 0 && w.asked && w.now > w.deadline {
		w.deadline = w.now // nobody can switch while the board is off
	}
}

// bound is how much later than the return time the feed may come: the steps
// below are a minute long, and an unjudged pack holds for 3 min.
const bound = unjudged + 3*time.Minute

func (w *world) check() {
	v := w.m.View()
	if v.Mode == ModeShed && !w.on {
		w.asked = false
		if !w.cut {
			w.cut, w.cause = true, false
		}
	}
	if w.asked && !w.on && w.now > w.deadline+bound {
		w.t.Fatalf("off %s beyond its return time: %s", w.now-w.deadline, v.Text)
	}
	if v.On != w.on && v.Stage == StageNone && !w.dead {
		w.t.Fatalf("the machine says on %v, the contact %v", v.On, w.on)
	}
	w.dead = false
}

// watchCharge keeps its own account of the charging. Silence is no proof against it.
func (w *world) watchCharge() {
	switch {
	case !w.in.Seen || w.in.Forecast.State == pack.Unknown:
	case w.in.Forecast.State != pack.Charging:
		w.charging = -1
	case w.charging < 0:
		w.charging = w.now
	case w.now-w.charging >= chargeHold:
		w.cause = true
	}
}

func drawForecast(t *rapid.T) pack.Forecast {
	f := discharging(time.Duration(rapid.IntRange(0, 90).Draw(t, "cautious")) * time.Minute)
	f.State = rapid.SampledFrom([]pack.State{pack.Discharging, pack.Discharging, pack.Discharging, pack.Resting, pack.Charging, pack.Unknown, pack.Absent}).Draw(t, "state")
	f.Known = f.State == pack.Discharging && rapid.IntRange(0, 5).Draw(t, "known") > 0
	f.ChargeKnown, f.CapacityKnown = rapid.Bool().Draw(t, "charge known"), true
	f.ChargeRatio, f.CapacityAh = rapid.Float64Range(0, 1).Draw(t, "charge"), 5
	f.LoadW = rapid.SampledFrom([]float64{5, 50, 0}).Draw(t, "load")
	return f
}

// TestNobodyIsLockedOutAndNothingShedComesBack kills, reboots and jumps the clock
// at every place, between any two effects.
func TestNobodyIsLockedOutAndNothingShedComesBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := &world{t: t, setup: usual(), killAt: -1, clockSet: true, charging: -1, on: true}
		w.in = Inputs{Forecast: discharging(time.Hour), Seen: true, StaleAfter: 30 * time.Second}
		w.restart(false, 0)
		w.step(time.Second)
		for range rapid.IntRange(1, 60).Draw(t, "acts") {
			w.act(rapid.SampledFrom([]string{"run", "run", "run", "off", "off", "on", "schedule", "swap", "forecast", "forecast", "kill", "kill", "restart", "reboot", "clock", "jump", "blind"}).Draw(t, "act"))
		}
	})
}

func (w *world) act(what string) {
	t := w.t
	switch what {
	case "run":
		for range rapid.IntRange(1, 60).Draw(t, "steps") {
			w.step(rapid.SampledFrom([]time.Duration{time.Second, 7 * time.Second, time.Minute}).Draw(t, "step"))
		}
	case "off":
		d := time.Duration(rapid.IntRange(2, 90).Draw(t, "minutes")) * time.Minute
		effects, err := w.m.Off(w.in.Now, "op", d)
		if err == nil {
			asked, deadline, saved := w.asked, w.deadline, w.saved
			w.asked, w.deadline = true, w.now+d
			if w.perform(effects); w.dead && saved == w.saved { // killed before it was kept, let alone answered
				w.asked, w.deadline = asked, deadline
			}
		}
	case "on":
		if effects, err := w.m.On(w.in.Now, "op"); err == nil {
			w.cause, w.asked = true, false
			w.perform(effects)
		}
	case "schedule":
		if effects, err := w.m.Follow(w.in.Now, "op", Schedule{10 * time.Minute, time.Hour}); err == nil {
			w.asked = false
			w.perform(effects)
		}
	case "swap":
		w.in.Swaps++
		w.cause = true
	case "forecast":
		w.in.Forecast = drawForecast(t)
	case "kill":
		w.killAt = rapid.IntRange(0, 3).Draw(t, "before effect")
	case "restart":
		w.restart(false, time.Duration(rapid.IntRange(0, 600).Draw(t, "away"))*time.Second)
		w.step(time.Second)
	case "reboot":
		w.clockSet = rapid.Bool().Draw(t, "clock set")
		if !w.clockSet {
			w.wall = -50 * 365 * 24 * time.Hour
		}
		w.restart(true, time.Duration(rapid.IntRange(0, 7200).Draw(t, "away"))*time.Second)
		w.step(time.Second)
	case "clock":
		w.clockSet, w.wall = true, 0
	case "jump":
		w.wall += time.Duration(rapid.IntRange(-86400, 86400).Draw(t, "jump")) * time.Second
	case "blind":
		w.in.Seen = !w.in.Seen
	}
}

func word(on bool) string {
	if on {
		return "on"
	}
	return "off"
}
