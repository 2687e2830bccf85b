package agent

import (
	"math"
	"testing"
	"time"

	"candlemark/agent/alarm"
	"candlemark/agent/pack"
	"candlemark/sensors"
)

// hang drives r with one reading for length, every ten seconds.
func (r *ride) hang(reading sensors.Reading, length time.Duration) {
	for end := r.up + length; r.up < end; r.up += 10 * time.Second {
		r.send(Read{At: r.at(), Pack: "terminal", Reading: reading})
		r.send(Tick{At: r.at(), Day: "2031-03-01", ClockSet: true})
	}
}

func TestStuckSensorLetsTheForecastGoByTheClockAndIsToldInTheEnd(t *testing.T) {
	r := newRide(t, testSetup(), Memory{})
	r.discharge(&drain{capacityAh: 4.6}, 50, 20*time.Minute)
	before := r.s.Snapshot().Packs[0]
	r.hang(before.Reading, 10*time.Minute)
	f := r.s.Snapshot().Packs[0].Forecast
	if d := before.Forecast.Expected - f.Expected; d < 9*time.Minute || d > 11*time.Minute {
		t.Errorf("after 10 min of one value %s left, before %s", f.Expected, before.Forecast.Expected)
	}
	if n := count(r.effects, func(e Record) bool { return e.Kind == "sensor" }); n != 0 {
		t.Error("told as a fault within ten minutes")
	}
	r.hang(before.Reading, 10*time.Minute)
	if n := count(r.effects, func(e Record) bool { return e.Kind == "sensor" && e.Warn }); n == 0 {
		t.Error("a sensor that showed one value for 20 min was not told")
	}
	if _, ok := raisedAt(r.effects, alarm.SensorStale); !ok {
		t.Error("and is not stale")
	}
	// Once it moves again, the charge of the time between is in the count.
	d := &drain{capacityAh: 4.6, usedAh: 50.0 / 18.5 * 40 / 60}
	r.discharge(d, 50, time.Minute)
	p := r.s.Snapshot().Packs[0]
	if p.LastError != "" || p.Stale || p.Swaps != 0 {
		t.Errorf("not taken up again: error %q, stale %v, swaps %d", p.LastError, p.Stale, p.Swaps)
	}
	if got := before.Forecast.Expected - p.Forecast.Expected; !p.Forecast.Known || got < 10*time.Minute || got > 32*time.Minute {
		t.Errorf("20 min later %s less is left (%s %s)", got, p.Forecast.State, p.Forecast.Why)
	}
}

func TestOneValueAtRestIsNoFault(t *testing.T) {
	r := newRide(t, testSetup(), Memory{})
	r.hang(sensors.Reading{PackV: 20.1}, 2*time.Hour)
	if got := r.active(); len(got) != 0 {
		t.Errorf("a pack at rest raised %v", got)
	}
	if p := r.s.Snapshot().Packs[0]; p.Stale || p.LastError != "" {
		t.Errorf("a pack at rest: stale %v, error %q", p.Stale, p.LastError)
	}
}

// Arithmetic: behind a converter that draws 60 W the current is 60/V.
func TestClippedCurrentIsCountedAsTheLoadBeforeIt(t *testing.T) {
	var u unclip
	for _, c := range []struct {
		name string
		r    sensors.Reading
		want float64
	}{
		{"clipped before anything was seen", sensors.Reading{PackV: 20, PackA: 3.2, Clipped: true}, 3.2},
		{"within the range", sensors.Reading{PackV: 20, PackA: 3}, 3},
		{"the voltage fell, the current left the range", sensors.Reading{PackV: 16, PackA: 3.2, Clipped: true}, 3.75},
		{"never below what is shown", sensors.Reading{PackV: 30, PackA: 3.2, Clipped: true}, 3.2},
		{"nor beyond half as much again", sensors.Reading{PackV: 5, PackA: 3.2, Clipped: true}, 4.8},
		{"no voltage", sensors.Reading{PackA: 3.2, Clipped: true}, 3.2},
	} {
		if got := u.take(c.r); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("%s: %g A, want %g A", c.name, got, c.want)
		}
	}
}

func TestCautiousTimeLosesAShareOfTheWholeDischarge(t *testing.T) {
	f := pack.Forecast{State: pack.Discharging, Known: true, Expected: 30 * time.Minute, Cautious: 25 * time.Minute, ChargeRatio: 0.1, ChargeKnown: true}
	// The whole discharge is 300 min: 4 % of it is 12 min, 2 % is 6 min.
	if got := prudent(f).Cautious; got != 13*time.Minute {
		t.Errorf("without history %s, want 13m", got)
	}
	f.Basis = []pack.Basis{pack.History}
	if got := prudent(f).Cautious; got != 19*time.Minute {
		t.Errorf("with history %s, want 19m", got)
	}
	f.Cautious = time.Minute
	if got := prudent(f).Cautious; got != 0 {
		t.Errorf("never below nothing, got %s", got)
	}
	if got := prudent(pack.Forecast{Why: "no reading yet"}); got.Cautious != 0 || got.Known {
		t.Errorf("an unknown forecast became %+v", got)
	}
}
