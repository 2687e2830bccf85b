package schedule

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"
)

// read gives a meter readings once a second from from to to.
func read(m *Meter, pack string, from, to time.Duration, w func(up time.Duration) float64) {
	for up := from; up <= to; up += time.Second {
		m.Read(pack, up, w(up), true)
	}
}

func level(w float64) func(time.Duration) float64 {
	return func(time.Duration) float64 { return w }
}

// By hand: 3 W more for 36 s are 3 * 36 / 3600 = 0.03 Wh.
func TestAProbeCostsWhatThePackGaveMore(t *testing.T) {
	var m Meter
	busy := func(up time.Duration) float64 {
		if up > 60*time.Second && up <= 96*time.Second {
			return 13
		}
		return 10
	}
	read(&m, "terminal", 0, 96*time.Second, busy)
	read(&m, "router", 0, 96*time.Second, level(5))
	c := m.Probe(60*time.Second, 96*time.Second)
	if !c.Known || math.Abs(c.Wh-0.03) > 1e-12 || c.ErrorWh > 1e-12 {
		t.Errorf("%+v, want 0.03 Wh", c)
	}
}

func TestWhatItCostIsNotAlwaysKnown(t *testing.T) {
	for name, c := range map[string]struct {
		set  func(*Meter)
		want string
	}{
		"no pack":               {func(*Meter) {}, "no pack is read"},
		"a reading a minute":    {func(m *Meter) { m.Read("a", 10*time.Second, 5, true); m.Read("a", 70*time.Second, 5, true) }, "too few readings before"},
		"silent while it ran":   {func(m *Meter) { read(m, "a", 0, 60*time.Second, level(5)) }, "too few readings during"},
		"charged meanwhile":     {func(m *Meter) { read(m, "a", 0, 96*time.Second, level(5)); m.Read("a", 96*time.Second, -5, false) }, "charged"},
		"just after another":    {func(m *Meter) { read(m, "a", 0, 96*time.Second, level(5)); m.Probe(50*time.Second, 58*time.Second) }, "too few readings before"},
		"another pack in place": {func(m *Meter) { read(m, "a", 0, 70*time.Second, level(5)); m.Forget("a") }, "no pack is read"},
		"not a number":          {func(m *Meter) { read(m, "a", 0, 96*time.Second, level(math.NaN())) }, "clipped"},
	} {
		var m Meter
		c.set(&m)
		if got := m.Probe(60*time.Second, 96*time.Second); got.Known || !strings.Contains(got.Why, c.want) {
			t.Errorf("%s: %+v", name, got)
		}
	}
}

// The stated error holds the true cost about as often as a standard error does (68 %
// of a normal distribution), and the mean of many is right.
func TestTheErrorOfACostIsRight(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 5))
	within, sum := 0, 0.0
	const runs, truth = 2000, 2.0 * 10 / 3600
	for range runs {
		var m Meter
		read(&m, "a", 0, 70*time.Second, func(up time.Duration) float64 {
			w := 10 + r.NormFloat64()
			if up > 60*time.Second {
				w += 2
			}
			return w
		})
		c := m.Probe(60*time.Second, 70*time.Second)
		sum += c.Wh
		if math.Abs(c.Wh-truth) <= c.ErrorWh {
			within++
		}
	}
	if math.Abs(sum/runs-truth) > 0.02*truth || within < runs*60/100 || within > runs*74/100 {
		t.Errorf("mean %.6f Wh, true %.6f; within the error %d of %d", sum/runs, truth, within, runs)
	}
}

func TestTheDaysEnergySurvivesARestart(t *testing.T) {
	s := New(Config{})
	s.Due(Inputs{Day: day1})
	s.SpendEnergy(Cost{Wh: 0.5, Known: true})
	s.SpendEnergy(Cost{Wh: -0.1, Known: true})
	s.SpendEnergy(Cost{Why: "charged"})
	again := Resume(Config{}, s.Save())
	again.Due(Inputs{Day: day1})
	if day, _ := again.Used(); math.Abs(day.Energy.Wh-0.4) > 1e-12 || day.Energy.Measured != 2 || day.Energy.Unmeasured != 1 {
		t.Errorf("%+v", day.Energy)
	}
	again.Due(Inputs{Day: day2})
	if day, _ := again.Used(); day.Energy != (Energy{}) {
		t.Errorf("the next day begins with %+v", day.Energy)
	}
}
