package feed

import (
	"math"
	"strings"
	"testing"
	"time"

	"candlemark/agent/pack"
)

// The figures follow from the definition of energy as power times time, worked
// by hand beside each.
func TestOffer(t *testing.T) {
	tenInSixty := Schedule{10 * time.Minute, time.Hour}
	f := pack.Forecast{State: pack.Discharging, Known: true, LoadW: 50,
		Expected: 2 * time.Hour, Low: 90 * time.Minute, High: 3 * time.Hour, Cautious: 80 * time.Minute}
	cases := []struct {
		name             string
		do               func(r *rig)
		meanW            float64
		expected, low    time.Duration
		always           time.Duration
		unknown, inWords string
	}{
		// 100 Wh; 5 W stay on, 45 W for a sixth of the time: 12.5 W, so 8 h; low 75 Wh, 6 h.
		{"while on", func(r *rig) {}, 12.5, 8 * time.Hour, 6 * time.Hour, 2 * time.Hour, "",
			"on for 10 min in every 1 h, of which 6 min with a working link; about 8 h 00 min (9 in 10: 6 h 00 min to 12 h 00 min) at a mean of 12.5 W, against about 2 h 00 min (9 in 10: 90 min to 3 h 00 min) at a mean of 50.0 W"},
		// Off, the load is 5 W and the 100 Wh last 20 h: the same schedule, the same 8 h.
		{"while off", func(r *rig) {
			r.off(time.Hour)
			r.run(4 * time.Minute) // 1 to shut down, 2 to settle
			r.in.Forecast.LoadW, r.in.Forecast.Expected, r.in.Forecast.Low, r.in.Forecast.High = 5, 20*time.Hour, 15*time.Hour, 30*time.Hour
			r.run(time.Second)
		}, 12.5, 8 * time.Hour, 6 * time.Hour, 2 * time.Hour, "", ""},
		{"just switched, the load still that of before", func(r *rig) {
			r.off(time.Hour)
			r.run(2 * time.Minute)
		}, 0, 0, 0, 0, "ask again in a minute or two", "not known yet"},
		{"no forecast", func(r *rig) {
			r.in.Forecast = pack.Forecast{State: pack.Charging, Why: "on charge"}
			r.run(time.Second)
		}, 0, 0, 0, 0, "on charge", "not known"},
		{"no readings", func(r *rig) {
			for range 60 {
				r.in.Now.Up += time.Second
				r.take(r.m.Step(r.in))
			}
		}, 0, 0, 0, 0, "not being measured", "not known"},
		{"a load of nothing", func(r *rig) { r.in.Forecast.LoadW = 0; r.run(time.Second) }, 0, 0, 0, 0, "cannot be used", "not known"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			r := newRig(t, usual())
			r.in.Forecast = f
			r.run(time.Second)
			c.do(r)
			o, err := r.m.Offer(tenInSixty)
			if err != nil {
				t.Fatal(err)
			}
			if o.Known != (c.unknown == "") || !strings.Contains(o.Why, c.unknown) || !strings.Contains(o.Text, c.inWords) {
				t.Errorf("known %v, why %q, text %q", o.Known, o.Why, o.Text)
			}
			if o.Useful != 6*time.Minute {
				t.Errorf("useful %s, want 6m: 10 less 3 to start and 1 to shut down", o.Useful)
			}
			near := func(what string, got, want time.Duration) {
				if d := (got - want).Abs(); d > time.Second {
					t.Errorf("%s %s, want %s within 1 s", what, got, want)
				}
			}
			near("expected", o.Then.Expected, c.expected)
			near("low", o.Then.Low, c.low)
			near("always on", o.On.Expected, c.always)
			if o.Then.MeanW != c.meanW {
				t.Errorf("mean %g W, want %g W", o.Then.MeanW, c.meanW)
			}
		})
	}
}

func TestTerminalPowerNotConfigured(t *testing.T) {
	s := usual()
	s.TerminalW = 0
	o, err := newRig(t, s).m.Offer(Schedule{10 * time.Minute, time.Hour})
	if err != nil || o.Known || !strings.Contains(o.Why, "not configured") {
		t.Errorf("offer %+v, %v", o, err)
	}
}

// The label says 45 W of the terminal; measured were 30 W with it and 5 W without, so
// that it takes 25. Of 100 Wh, 30 W take 3 h 20 min; a sixth of 25 W and 5 W are 9.17 W,
// 10.9 h. All by hand.
func TestWhatWasMeasuredStandsAboveTheLabel(t *testing.T) {
	r := newRig(t, usual())
	load := func(w float64) {
		last := time.Duration(100 / w * float64(time.Hour))
		r.in.Forecast = pack.Forecast{State: pack.Discharging, Known: true, LoadW: w, Expected: last, Low: last, High: last, Cautious: last}
	}
	offer := func(when string) Offer {
		t.Helper()
		o, err := r.m.Offer(Schedule{10 * time.Minute, time.Hour})
		if err != nil || !o.Known {
			t.Fatalf("%s: %+v, %v", when, o, err)
		}
		if math.Abs(o.On.MeanW-30) > 0.01 || math.Abs(o.Then.MeanW-(5+25.0/6)) > 0.01 {
			t.Errorf("%s: on %.2f W, then %.2f W, want 30 and 9.17", when, o.On.MeanW, o.Then.MeanW)
		}
		if strings.Contains(o.Text, "errs") {
			t.Errorf("%s: %q claims on which side it errs", when, o.Text)
		}
		return o
	}
	load(30)
	r.run(time.Minute)
	r.off(40 * time.Minute)
	r.run(time.Minute)
	load(5)
	r.run(3 * time.Minute)
	offer("off")
	v := r.m.View()
	// 20 h less what is left of the off, of it a sixth at 30 W.
	if want := (20*time.Hour - v.ChangeIn) / 6; !v.AfterKnown || v.After.MeanW != 30 || (v.After.Expected-want).Abs() > time.Second {
		t.Errorf("after the return %+v (%v), want %s", v.After, v.AfterKnown, want)
	}
	s := r.m.Save()
	if s.OnW != 30 || s.OffW != 5 {
		t.Errorf("saved %g W and %g W", s.OnW, s.OffW)
	}
	r.run(37 * time.Minute) // it is back
	load(30)
	if _, err := r.m.Offer(Schedule{10 * time.Minute, time.Hour}); err != nil || r.m.View().AfterKnown {
		t.Errorf("on again: %v, %+v", err, r.m.View())
	}
	r.run(6 * time.Minute)
	offer("on again")
}
