package feed

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"candlemark/agent/alarm"
	"candlemark/agent/pack"
)

func TestOffRunsTheShutdownAndReturns(t *testing.T) {
	r := newRig(t, usual())
	r.off(45 * time.Minute)
	r.expect("asked", "hook")
	r.run(59 * time.Second)
	r.expect("during the shutdown")
	r.run(time.Second)
	r.expect("after it", "set off")
	r.run(44*time.Minute - time.Second)
	r.expect("before the return time")
	r.run(time.Second)
	r.expect("at the return time", "set on")
	r.mode(ModeOn, true)
	want := []string{
		"uid 1000: the terminal is told to shut down; its feed is cut in 1 min: off for 45 min asked for by uid 1000",
		"uid 1000: feed off: off for 45 min asked for by uid 1000; it returns in 44 min",
		"agent: feed on: its return time has come",
	}
	if diff := cmp.Diff(want, r.texts); diff != "" {
		t.Errorf("record (-want +got):\n%s", diff)
	}
}

func TestShedding(t *testing.T) {
	low := func(r *rig) { r.in.Forecast = discharging(19 * time.Minute) }
	shed := func(r *rig) {
		low(r)
		r.run(11 * time.Second)
		r.run(3 * time.Minute)
		r.run(restFor)
		r.did = nil
	}
	cases := []struct {
		name string
		do   func(r *rig)
		want []string
		mode Mode
		on   bool
	}{
		{"above the reserve nothing happens", func(r *rig) { r.in.Forecast = discharging(21 * time.Minute); r.run(time.Hour) }, nil, ModeOn, true},
		{"warn, shut down, wait, cut", func(r *rig) { low(r); r.run(11 * time.Second); r.run(3 * time.Minute) }, []string{"warn", "hook", "set off"}, ModeShed, false},
		{"a dip of five seconds is none", func(r *rig) {
			low(r)
			r.run(5 * time.Second)
			r.in.Forecast = discharging(time.Hour)
			r.run(time.Minute)
		}, nil, ModeOn, true},
		{"one bad reading and silence is none", func(r *rig) {
			low(r)
			r.run(time.Second)
			for range 300 {
				r.in.Now.Up += time.Second
				r.take(r.m.Step(r.in))
			}
		}, nil, ModeOn, true},
		{"an unknown forecast sheds nothing", func(r *rig) { r.in.Forecast = pack.Forecast{State: pack.Unknown}; r.run(time.Hour) }, nil, ModeOn, true},
		{"the warning is short when little is left", func(r *rig) {
			r.in.Forecast = discharging(90 * time.Second)
			r.run(11 * time.Second)
			r.run(90 * time.Second)
		}, []string{"warn", "hook", "set off"}, ModeShed, false},
		{"at the cut-off there is no time to warn", func(r *rig) {
			r.in.Forecast = discharging(0)
			r.run(11 * time.Second)
			r.run(time.Minute)
		}, []string{"hook", "set off"}, ModeShed, false},
		{"a swap during the warning calls it off", func(r *rig) {
			low(r)
			r.run(time.Minute)
			r.in.Swaps++
			r.in.Forecast = discharging(3 * time.Hour)
			r.run(time.Hour)
		}, []string{"warn"}, ModeOn, true},
		{"a voltage that recovers during the warning does not", func(r *rig) {
			low(r)
			r.run(time.Minute)
			r.in.Forecast = discharging(3 * time.Hour)
			r.run(3 * time.Minute)
		}, []string{"warn", "hook", "set off"}, ModeShed, false},
		{"a swap during the shutdown makes the cut a short one", func(r *rig) {
			low(r)
			r.run(2*time.Minute + 30*time.Second)
			r.in.Swaps++
			r.in.Forecast = discharging(3 * time.Hour)
			r.run(2 * time.Minute)
		}, []string{"warn", "hook", "set off", "set on"}, ModeOn, true},
		{"a recovered voltage does not bring it back", func(r *rig) {
			shed(r)
			r.in.Forecast = discharging(9 * time.Hour)
			r.run(24 * time.Hour)
		}, nil, ModeShed, false},
		{"rest does not bring it back", func(r *rig) {
			shed(r)
			r.in.Forecast = pack.Forecast{State: pack.Resting, ChargeKnown: true, ChargeRatio: 0.9, CapacityKnown: true, CapacityAh: 5, CutoffV: 15}
			r.run(24 * time.Hour)
		}, nil, ModeShed, false},
		{"a swap brings it back", func(r *rig) { shed(r); r.in.Swaps++; r.run(time.Second) }, []string{"set on"}, ModeOn, true},
		{"a swap right after the cut brings it back after a rest", func(r *rig) {
			low(r)
			r.run(3*time.Minute + 11*time.Second)
			r.in.Swaps++
			r.in.Forecast = discharging(3 * time.Hour)
			r.run(restFor - time.Second)
			r.expect("before", "warn", "hook", "set off")
			r.run(time.Second)
		}, []string{"set on"}, ModeOn, true},
		{"charge brings it back after 2 min", func(r *rig) {
			shed(r)
			r.in.Forecast = pack.Forecast{State: pack.Charging}
			r.run(119 * time.Second)
			r.expect("before")
			r.run(2 * time.Second)
		}, []string{"set on"}, ModeOn, true},
		{"a charge that comes and goes does not", func(r *rig) {
			shed(r)
			for range 100 {
				r.in.Forecast = pack.Forecast{State: pack.Charging}
				r.run(time.Minute)
				r.in.Forecast = pack.Forecast{State: pack.Resting}
				r.run(time.Second)
			}
		}, nil, ModeShed, false},
		{"the operator brings it back, and it is shed next at the cut-off", func(r *rig) {
			shed(r)
			r.ask(r.m.On(r.in.Now, "uid 1000"))
			r.expect("on", "set on")
			r.run(time.Hour)
			r.expect("below the reserve")
			r.in.Forecast = discharging(0)
			r.run(2 * time.Minute)
		}, []string{"hook", "set off"}, ModeShed, false},
		{"a weak charger has to charge for longer each time", func(r *rig) {
			shed(r)
			r.in.Forecast = pack.Forecast{State: pack.Charging}
			r.run(2*time.Minute + time.Second)
			r.expect("first", "set on")
			shed(r)
			r.in.Forecast = pack.Forecast{State: pack.Charging}
			r.run(4*time.Minute - time.Second)
			r.expect("not yet")
			r.run(2 * time.Second)
		}, []string{"set on"}, ModeOn, true},
		{"a return time at the reserve does not bring it back", func(r *rig) {
			r.off(45 * time.Minute)
			r.run(2 * time.Minute)
			r.did = nil
			// 60 min at 5 W are 6 min at the 50 W with the terminal on.
			r.in.Forecast = discharging(time.Hour)
			r.in.Forecast.LoadW = 5
			r.run(2 * time.Hour)
			r.in.Forecast = discharging(9 * time.Hour)
			r.run(2 * time.Hour)
		}, nil, ModeShed, false},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			r := newRig(t, usual())
			c.do(r)
			r.expect("at the end", c.want...)
			r.mode(c.mode, c.on)
		})
	}
}

func TestChargeWhileOnIsNoEvent(t *testing.T) {
	r := newRig(t, usual())
	r.in.Forecast = pack.Forecast{State: pack.Charging}
	r.run(time.Hour)
	r.in.Swaps++
	r.run(time.Hour)
	if r.expect("charging"); len(r.texts) > 0 {
		t.Errorf("record %q", r.texts)
	}
}

// TestWhatMustSurviveComesFirst: kept, then said, then done.
func TestWhatMustSurviveComesFirst(t *testing.T) {
	r := newRig(t, usual())
	order := func(effects []Effect) (kinds string) {
		for _, e := range effects {
			kinds += strings.TrimPrefix(fmt.Sprintf("%T ", e), "feed.")
		}
		return kinds
	}
	effects, err := r.m.Off(r.in.Now, "uid 1000", 45*time.Minute)
	if got := order(effects); err != nil || got != "Save Record RunHook " {
		t.Errorf("asked: %s, %v", got, err)
	}
	for _, at := range []time.Duration{time.Minute, 45 * time.Minute} {
		in := r.in
		in.Now.Up += at
		if got := order(r.m.Step(in)); got != "Save Record Set " {
			t.Errorf("after %s: %s", at, got)
		}
	}
	r = newRig(t, usual())
	r.in.Forecast = discharging(19 * time.Minute)
	r.run(10 * time.Second)
	r.in.Now.Up += time.Second
	r.in.ReadingUp = r.in.Now.Up
	if got := order(r.m.Step(r.in)); got != "Save Record Warn " {
		t.Errorf("warned: %s", got)
	}
}

func TestCutsAreCountedByCauseAndToldBefore(t *testing.T) {
	r := newRig(t, usual())
	r.off(5 * time.Minute)
	if v := r.m.View(); !v.CutComing() || v.ChangeIn != time.Minute {
		t.Errorf("a cut that was asked for: %+v", v)
	}
	r.run(10 * time.Minute)
	r.ask(r.m.Follow(r.in.Now, "x", Schedule{10 * time.Minute, time.Hour}))
	for range 2 * 3600 {
		r.run(time.Second)
		if v := r.m.View(); v.CutComing() {
			t.Fatalf("a schedule's cut is told as one that comes unforeseen: %+v", v)
		}
	}
	r.ask(r.m.On(r.in.Now, "x"))
	r.run(time.Minute)
	r.in.Forecast = discharging(19 * time.Minute)
	r.run(11 * time.Second)
	if v := r.m.View(); !v.CutComing() || !v.ChangeKnown || v.ChangeIn > 3*time.Minute || v.ChangeIn < 2*time.Minute {
		t.Errorf("a shedding: %+v", v)
	}
	r.run(3 * time.Minute)
	if v := r.m.View(); v.CutComing() || v.Cuts != (Cuts{Request: 1, Schedule: 2, Shed: 1}) {
		t.Errorf("after it: %+v", v)
	}
}

func TestSchedule(t *testing.T) {
	r := newRig(t, usual())
	r.ask(r.m.Follow(r.in.Now, "uid 1000", Schedule{10 * time.Minute, time.Hour}))
	begin := r.in.Now.Up
	r.expect("accepted")
	at := func(d time.Duration, want ...string) {
		t.Helper()
		r.run(begin + d - time.Second - r.in.Now.Up)
		r.expect("just before " + d.String())
		r.run(time.Second)
		r.expect(d.String(), want...)
	}
	at(9*time.Minute, "hook")
	at(10*time.Minute, "set off")
	at(60*time.Minute, "set on")
	at(69*time.Minute, "hook")
	at(70*time.Minute, "set off")
	r.off(2 * time.Hour) // the schedule goes on after it
	r.run(2*time.Hour - time.Second)
	r.expect("still off")
	r.run(time.Second)
	r.expect("back", "set on")
	r.mode(ModeScheduled, true)
	r.ask(r.m.On(r.in.Now, "uid 1000"))
	r.run(5 * time.Hour)
	r.expect("ended by the operator")
	r.mode(ModeOn, true)
}

func TestUnsafeRequestsAreRefusedInWords(t *testing.T) {
	cutoff := func(r *rig) { r.in.Forecast = discharging(0); r.run(12 * time.Second) }
	cases := []struct {
		name  string
		ready func(r *rig)
		ask   func(m *Machine, r *rig) ([]Effect, error)
		words string
	}{
		{"off without a return", nil, func(m *Machine, r *rig) ([]Effect, error) { return m.Off(r.in.Now, "x", 0) }, "needs a return time"},
		{"off for too long", nil, func(m *Machine, r *rig) ([]Effect, error) { return m.Off(r.in.Now, "x", 13*time.Hour) }, "limit of 12 h"},
		{"off for too short", nil, func(m *Machine, r *rig) ([]Effect, error) { return m.Off(r.in.Now, "x", 30*time.Second) }, "1 min 10 s"},
		{"nobody asks", nil, func(m *Machine, r *rig) ([]Effect, error) { return m.On(r.in.Now, "") }, "who makes it"},
		{"on at the cut-off", cutoff, func(m *Machine, r *rig) ([]Effect, error) { return m.On(r.in.Now, "x") }, "at its cut-off"},
		{"off while it is being shed", cutoff, func(m *Machine, r *rig) ([]Effect, error) { return m.Off(r.in.Now, "x", time.Hour) }, "swap"},
		{"off while shedding is announced", func(r *rig) { r.in.Forecast = discharging(19 * time.Minute); r.run(12 * time.Second) },
			func(m *Machine, r *rig) ([]Effect, error) { return m.Off(r.in.Now, "x", time.Hour) }, "about to be cut"},
		{"a schedule at the reserve", func(r *rig) { r.in.Forecast = discharging(19 * time.Minute); r.run(2 * time.Second) },
			func(m *Machine, r *rig) ([]Effect, error) {
				return m.Follow(r.in.Now, "x", Schedule{10 * time.Minute, time.Hour})
			}, "comes too late"},
		{"on time shorter than the start-up", nil, func(m *Machine, r *rig) ([]Effect, error) {
			return m.Follow(r.in.Now, "x", Schedule{4 * time.Minute, time.Hour})
		}, "3 min to start and 1 min to shut down"},
		{"no off time", nil, func(m *Machine, r *rig) ([]Effect, error) {
			return m.Follow(r.in.Now, "x", Schedule{time.Hour, time.Hour})
		}, "saves nothing"},
		{"off phase beyond the limit", nil, func(m *Machine, r *rig) ([]Effect, error) {
			return m.Follow(r.in.Now, "x", Schedule{10 * time.Minute, 24 * time.Hour})
		}, "limit of 12 h"},
		{"a frantic schedule", nil, func(m *Machine, r *rig) ([]Effect, error) {
			return m.Follow(r.in.Now, "x", Schedule{time.Minute, 2 * time.Minute})
		}, "wear"},
		{"overflow", nil, func(m *Machine, r *rig) ([]Effect, error) {
			return m.Follow(r.in.Now, "x", Schedule{1 << 62, -1 << 62})
		}, "two times"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			r := newRig(t, usual())
			if c.ready != nil {
				c.ready(r)
			}
			before := fmt.Sprint(r.m.Save())
			effects, err := c.ask(r.m, r)
			var refused *Refused
			if !errors.As(err, &refused) || !strings.Contains(err.Error(), c.words) {
				t.Errorf("answer %v, want %q", err, c.words)
			}
			if after := fmt.Sprint(r.m.Save()); len(effects) > 0 || before != after {
				t.Errorf("a refused request had effects %v or changed\n%s to\n%s", effects, before, after)
			}
		})
	}
	if _, err := New(usual(), Start{}).On(r0(), "x"); err == nil {
		t.Error("a request before the first step was taken")
	}
}

func TestWithoutASwitchThePlanIsAdvised(t *testing.T) {
	s := usual()
	s.Switched = false
	r := newRig(t, s)
	r.off(45 * time.Minute)
	r.run(50 * time.Minute)
	r.in.Forecast = discharging(19 * time.Minute)
	r.run(5 * time.Minute)
	r.in.Swaps++
	r.run(time.Second)
	r.expect("advice", "hook", "advise off", "advise on", "warn", "hook", "advise off", "advise on")
	if text := r.m.View().Text; !strings.HasPrefix(text, "advice, no switch is fitted: ") {
		t.Errorf("view %q", text)
	}
}

func r0() (at alarm.Instant) { return at }
