package feed

import (
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
			r.run(2 * time.Minute)
			r.in.Forecast.LoadW, r.in.Forecast.Expected, r.in.Forecast.Low, r.in.Forecast.High = 5, 20*time.Hour, 15*time.Hour, 30*time.Hour
			r.run(time.Second)
		}, 12.5, 8 * time.Hour, 6 * time.Hour, 2 * time.Hour, "", ""},
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
