package pack

import (
	"math"
	"testing"
	"time"
)

// stretch is a time at a constant power, per cell and label ampere-hour.
type stretch struct{ seconds, power float64 }

// recordOf counts a run of stretches at 3.7 V after a moment at rest, a reading each
// everyS seconds, the first of them after late seconds.
func recordOf(everyS, lateS float64, load ...stretch) *recorder {
	e, err := newIdle(Spec{Chemistry: LiIon, SeriesCells: 1, CapacityAh: 1, CutoffV: 2.5}, nil)
	if err != nil {
		panic(err)
	}
	at := lateS
	_ = e.Update(Sample{PackV: 3.7})
	for _, s := range load {
		for end := at + s.seconds; at < end; {
			at += everyS
			_ = e.Update(Sample{T: time.Duration(at * 1e9), PackV: 3.7, PackA: s.power / 3.7})
		}
	}
	r := e.run
	r.flush()
	return &r
}

func ended(r *recorder, pulsed bool) Run {
	return Run{Bins: r.Bins, Total: r.Q, Ended: true, Pulsed: pulsed, Power: true, Rested: r.Rested}
}

// Arithmetic: what is left of an earlier run of 80 s at 18 W and 800 s at 5 W, after
// 40 s, is 40 s at 18 W and 800 s at 5 W.
func TestLoadGoesOnAsTheEarlierRunDid(t *testing.T) {
	old := []Run{ended(recordOf(1, 0, stretch{80, 18}, stretch{800, 5}), false)}
	burst := load{rate: 18 / 3.7, power: 18}
	want := (40*18.0 + 800*5) / 840
	for _, c := range []struct {
		name string
		now  *recorder
		want float64
		tol  float64
	}{
		{"the same burst", recordOf(1, 0, stretch{40, 18}), want, 0.02 * want},
		{"the same burst, read each 20 s", recordOf(20, 0, stretch{40, 18}), want, 0.1 * want},
		{"twice the burst: another load", recordOf(1, 0, stretch{40, 36}), 18, 0.01 * 18},
	} {
		near(t, c.name+", W", c.now.expect(burst, old).power, c.want, c.tol)
	}
	r := recordOf(1, 0, stretch{40, 18})
	r.Rested = false
	near(t, "begun before us, W", r.expect(burst, old).power, 18, 0)
	near(t, "no earlier run, W", recordOf(1, 0, stretch{40, 18}).expect(burst, nil).power, 18, 0)
	near(t, "the rate follows the power", r.expect(burst, nil).rate, burst.rate, 0)
}

func TestPulsingLoadIsDrawnToEarlierRunsOnlyAsFarAsItWanders(t *testing.T) {
	wandering := recordOf(5, 0, stretch{400, 2}, stretch{400, 6}, stretch{400, 3}, stretch{400, 8})
	steady := recordOf(5, 0, stretch{1600, 4.5})
	earlier := func(watts float64) []Run {
		return []Run{ended(recordOf(5, 0, stretch{3000, watts}), true), ended(recordOf(5, 0, stretch{3000, watts}), true)}
	}
	l := load{pulsed: true, rate: 4.5 / 3.7, power: 4.5}
	a, b := wandering.expect(l, earlier(5.5)), steady.expect(l, earlier(5.5))
	if !(a.power > 4.8 && a.power < 5.5 && a.spread > 0.02) {
		t.Errorf("wandering: %.2f W ± %.2f, want between its own 4.5 and the earlier 5.5", a.power, a.spread)
	}
	near(t, "steady, W", b.power, 4.5, 0.05)
	near(t, "steady, spread", b.spread, 0, 0.02)
	far := wandering.expect(l, earlier(30))
	near(t, "earlier runs of quite another load, W", far.power, 4.5, 0.5)
	none := wandering.expect(l, nil)
	near(t, "no earlier runs, W", none.power, 4.5, 0)
	if !(none.spread > a.spread) {
		t.Errorf("spread without earlier runs %.3f, with %.3f: should be larger", none.spread, a.spread)
	}
}

// The mean and standard deviation that were asked for, over many draws.
func TestVariedLoadsHaveTheSpreadAskedFor(t *testing.T) {
	a := &ahead{load: load{rate: 1, power: 3.7}, cutV: 3, loadSD: 0.2, cutSD: 0.05}
	var n, m, q, cm, cq float64
	for k := range 200 {
		v := a.vary(k)
		x, y := math.Log(v.load.power/3.7), v.cutV-3
		n, m, q, cm, cq = n+1, m+x, q+x*x, cm+y, cq+y*y
	}
	near(t, "mean of log", m/n, 0, 0.01)
	near(t, "spread of log", math.Sqrt(q/n), 0.2, 0.01)
	near(t, "mean of cut-off", cm/n, 0, 0.003)
	near(t, "spread of cut-off", math.Sqrt(cq/n), 0.05, 0.003)
}
