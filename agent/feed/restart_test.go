package feed

import (
	"encoding/json"
	"testing"
	"time"

	"candlemark/agent/pack"
)

func TestRestarts(t *testing.T) {
	rest := pack.Forecast{State: pack.Resting, ChargeKnown: true, CapacityKnown: true, CapacityAh: 5, CutoffV: 15}
	full, empty := rest, rest
	full.ChargeRatio, empty.ChargeRatio = 0.8, 0.1 // 60 Wh or 80 min at 45 W; 7.5 Wh or 10 min
	begin := func(r *rig) {
		r.off(45 * time.Minute)
		r.run(5 * time.Minute)
		r.did = nil
		r.in.Forecast = full
	}
	cases := []struct {
		name string
		do   func(r *rig)
		want []string
		mode Mode
		on   bool
	}{
		{"the agent restarts: the return time stands", func(r *rig) {
			begin(r)
			r.reboot(10*time.Minute, false, false)
			r.expect("started", "set off")
			r.run(30*time.Minute - 2*time.Second)
			r.expect("before")
			r.run(time.Second)
		}, []string{"set on"}, ModeOn, true},
		{"the return time passed meanwhile", func(r *rig) { begin(r); r.reboot(41*time.Minute, false, true) }, []string{"set on"}, ModeOn, true},
		{"a reboot with the clock set: the return time stands", func(r *rig) {
			begin(r)
			r.reboot(10*time.Minute, true, true)
			r.expect("started", "set off")
			r.run(30*time.Minute - 2*time.Second)
			r.expect("before")
			r.run(time.Second)
		}, []string{"set on"}, ModeOn, true},
		{"a reboot with the clock unset and a pack above its reserve: at once", func(r *rig) { begin(r); r.reboot(time.Minute, true, false) },
			[]string{"set on"}, ModeOn, true},
		{"a reboot with the clock unset and a pack at its reserve: shed", func(r *rig) {
			begin(r)
			r.in.Forecast = empty
			r.reboot(time.Minute, true, false)
			r.run(24 * time.Hour)
		}, []string{"set off"}, ModeShed, false},
		{"a reboot with the clock unset and a pack that cannot be judged: after 3 min", func(r *rig) {
			begin(r)
			r.in.Forecast = pack.Forecast{State: pack.Unknown}
			r.reboot(time.Minute, true, false)
			r.run(3*time.Minute - 2*time.Second)
			r.expect("before", "set off")
			r.run(time.Second)
		}, []string{"set on"}, ModeOn, true},
		{"the clock comes before the pack can be judged: the return time stands", func(r *rig) {
			begin(r)
			r.in.Forecast = pack.Forecast{State: pack.Unknown}
			right := r.wall.Add(r.in.Now.Up + 10*time.Minute)
			r.reboot(10*time.Minute, true, false)
			r.in.ClockSet, r.wall = true, right
			r.run(10 * time.Second)
			r.in.Forecast = full
			r.run(30*time.Minute - 12*time.Second)
			r.expect("before", "set off")
			r.run(2 * time.Second)
		}, []string{"set on"}, ModeOn, true},
		{"the clock ran backwards: as if it was not set", func(r *rig) {
			begin(r)
			r.wall = r.wall.Add(-24 * time.Hour)
			r.reboot(time.Minute, true, true)
		}, []string{"set on"}, ModeOn, true},
		{"shed stays shed over any restart", func(r *rig) {
			r.in.Forecast = discharging(time.Minute)
			r.run(5 * time.Minute)
			r.did = nil
			r.in.Forecast = full
			r.reboot(time.Hour, true, false)
			r.run(time.Hour)
			r.reboot(time.Hour, false, true)
			r.run(24 * time.Hour)
		}, []string{"set off", "set off"}, ModeShed, false},
		{"a swap while the board was off", func(r *rig) {
			r.in.Forecast = discharging(time.Minute)
			r.run(5 * time.Minute)
			r.did = nil
			r.in.Swaps++
			r.reboot(time.Minute, true, false)
		}, []string{"set on"}, ModeOn, true},
		{"the agent dies during the shutdown: it is told again, and cut", func(r *rig) {
			r.off(45 * time.Minute)
			r.run(20 * time.Second)
			r.did = nil
			r.reboot(10*time.Second, false, true)
			r.run(time.Minute)
		}, []string{"hook", "set on", "set off"}, ModeOff, false},
		{"the agent dies during the warning: the order goes on", func(r *rig) {
			r.in.Forecast = discharging(19 * time.Minute)
			r.run(time.Minute)
			r.did = nil
			r.reboot(10*time.Second, false, true)
			r.run(2 * time.Minute)
		}, []string{"set on", "hook", "set off"}, ModeShed, false},
		{"a schedule begins with an on phase", func(r *rig) {
			r.ask(r.m.Follow(r.in.Now, "x", Schedule{10 * time.Minute, time.Hour}))
			r.run(15 * time.Minute)
			r.did = nil
			r.in.Forecast = full
			r.reboot(time.Minute, true, false)
			r.run(9 * time.Minute)
		}, []string{"set on", "hook"}, ModeScheduled, true},
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

func TestClockThatComesLaterIsSaved(t *testing.T) {
	r := newRig(t, usual())
	r.in.ClockSet = false
	r.off(45 * time.Minute)
	r.run(5 * time.Minute)
	if r.saved.ClockSet {
		t.Fatal("saved with a clock that was not set")
	}
	r.in.ClockSet = true
	r.run(time.Second)
	if !r.saved.ClockSet || r.saved.Left != 40*time.Minute-time.Second {
		t.Errorf("saved %+v", r.saved)
	}
}

// FuzzResume feeds anything that could stand in the journal.
func FuzzResume(f *testing.F) {
	r := newRig(f, usual())
	r.off(45 * time.Minute)
	for _, s := range []Saved{r.saved, {}, {Mode: ModeScheduled}, {Mode: ModeShed}, {Mode: ModeOff, BootID: "b2", Left: 1 << 62}, {Mode: "?", Stage: "?"}} {
		data, err := json.Marshal(s)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		var s Saved
		if json.Unmarshal(data, &s) != nil {
			return
		}
		m := Resume(usual(), Start{BootID: "b2"}, s)
		in := Inputs{Forecast: pack.Forecast{State: pack.Unknown}}
		in.Swaps = s.Swaps
		limit := usual().LongestOff + time.Hour
		for in.Now.Up < limit {
			in.Now.Up += time.Minute
			m.Step(in)
			if _, err := json.Marshal(m.Save()); err != nil {
				t.Fatal(err)
			}
		}
		if v := m.View(); !v.On && v.Mode == ModeOff {
			t.Fatalf("off by request for more than %s: %s", limit, v.Text)
		}
	})
}
