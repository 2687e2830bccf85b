package pack

import (
	"encoding/json"
	"flag"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"
	"time"
)

func toolPack() Spec { return Spec{Chemistry: LiIon, SeriesCells: 5, CapacityAh: 5, CutoffV: 15} }

func feed(t *testing.T, e *Estimator, run []Sample) {
	t.Helper()
	for _, s := range run {
		if err := e.Update(s); err != nil {
			t.Fatal(err)
		}
	}
}

func mustNew(t *testing.T, spec Spec, prof *Profile) *Estimator {
	t.Helper()
	e, err := New(spec, prof)
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// TestMain keeps the property tests short: each check draws thousands of hypotheses.
func TestMain(m *testing.M) {
	if os.Getenv("CANDLEMARK_LONG") == "" {
		if err := flag.Set("rapid.checks", "12"); err != nil {
			panic(err)
		}
	}
	os.Exit(m.Run())
}

func TestValidateNamesTheFault(t *testing.T) {
	for _, c := range []struct {
		want string
		mod  func(*Spec)
	}{
		{"chemistry", func(s *Spec) { s.Chemistry = "nimh" }},
		{"series cells", func(s *Spec) { s.SeriesCells = 0 }},
		{"capacity", func(s *Spec) { s.CapacityAh = math.NaN() }},
		{"capacity", func(s *Spec) { s.CapacityAh = -1 }},
		{"cut-off", func(s *Spec) { s.CutoffV = math.Inf(1) }},
		{"no cut-off", func(s *Spec) { s.CutoffV = 0 }},
		{"not below the full voltage", func(s *Spec) { s.LockoutV = 22 }},
		{"feed resistance", func(s *Spec) { s.FeedOhm = -1 }},
	} {
		s := toolPack()
		c.mod(&s)
		if err := s.Validate(); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("want an error with %q, got %v", c.want, err)
		}
	}
	if err := toolPack().Validate(); err != nil {
		t.Error(err)
	}
}

// Arithmetic: far end 12 V over 0.4 ohm at 10 A stands at 16 V at the pack.
func TestCutoffIsTheHighestReferredToThePack(t *testing.T) {
	s := Spec{CutoffV: 15, LockoutV: 15.5, FarMinV: 12, FeedOhm: 0.4}
	near(t, "light load, V", s.cutoffAt(1), 15.5, 1e-9)
	near(t, "10 A, V", s.cutoffAt(10), 16, 1e-9)
}

func TestUpdateRefusesWhatIsNotFiniteAndTimeGoingBack(t *testing.T) {
	e := mustNew(t, toolPack(), nil)
	ok := Sample{T: time.Minute, PackV: 20, PackA: 1}
	feed(t, e, []Sample{ok})
	for _, s := range []Sample{
		{T: 2 * time.Minute, PackV: math.NaN(), PackA: 1},
		{T: 2 * time.Minute, PackV: 20, PackA: math.Inf(1)},
		{T: 2 * time.Minute, PackV: 20, PackA: 1, TempC: math.NaN(), TempKnown: true},
		{T: time.Second, PackV: 20, PackA: 1},
	} {
		if e.Update(s) == nil {
			t.Errorf("%+v was taken", s)
		}
	}
	feed(t, e, []Sample{{T: 61 * time.Second, PackV: 20, PackA: 1}})
}

func TestStatesAndWhyNotKnown(t *testing.T) {
	e := mustNew(t, toolPack(), nil)
	at := time.Duration(0)
	step := func(n int, v, a float64) Forecast {
		for range n {
			at += time.Second
			feed(t, e, []Sample{{T: at, PackV: v, PackA: a}})
		}
		return e.Forecast()
	}
	for _, c := range []struct {
		name string
		f    Forecast
		want State
	}{
		{"nothing yet", e.Forecast(), Unknown},
		{"at rest", step(30, 20.8, 0), Resting},
		{"loaded", step(200, 20.2, 2), Discharging},
		{"a pause of the load", step(60, 20.4, 0), Discharging},
		{"a long pause", step(700, 20.4, 0), Resting},
		{"fed back for a moment", step(20, 20.2, 2), Discharging},
		{"charged", step(120, 20.9, -1), Charging},
		{"taken away", step(2, 0.05, 0), Absent},
	} {
		if c.f.State != c.want {
			t.Errorf("%s: state %s, want %s", c.name, c.f.State, c.want)
		}
		if !c.f.Known && c.f.Why == "" {
			t.Errorf("%s: not known, and no reason given", c.name)
		}
		if c.f.Known != (c.want == Discharging) {
			t.Errorf("%s: known is %v", c.name, c.f.Known)
		}
	}
}

func TestOneGlitchIsNotTheCutoff(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 9))
	run := tremblayLiIon(5, 5).discharge(40, 15, 1, rng)[:1500]
	e := mustNew(t, toolPack(), nil)
	feed(t, e, run)
	before := e.Forecast()
	s := run[len(run)-1]
	s.T += time.Second
	s.PackV = 12
	feed(t, e, []Sample{s})
	after := e.Forecast()
	if !after.Known || after.Expected < before.Expected*8/10 {
		t.Errorf("one reading of 12 V took the forecast from %v to %v", before.Expected, after.Expected)
	}
	for range 4 {
		s.T += time.Second
		feed(t, e, []Sample{s})
	}
	if f := e.Forecast(); !f.Known || f.Expected != 0 {
		t.Errorf("five readings below the cut-off: %+v, want 0", f)
	}
}

func TestSavedStateCarriesOn(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 9))
	run := tremblayLiIon(5, 5).discharge(40, 15, 1, rng)
	prof, err := Learn(nil, toolPack(), run)
	if err != nil {
		t.Fatal(err)
	}
	half := len(run) / 2
	e := mustNew(t, toolPack(), prof)
	feed(t, e, run[:half])
	want := e.Forecast()
	b, err := json.Marshal(e.Save())
	if err != nil {
		t.Fatal(err)
	}
	if len(b) > 32<<10 {
		t.Errorf("saved state is %d bytes, want at most 32 KB", len(b))
	}
	var s Saved
	if err := json.Unmarshal(b, &s); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name  string
		gap   time.Duration
		known bool
		base  time.Duration // where the new readings' time line begins
	}{
		{"after one second", time.Second, true, 0},
		{"after a minute", time.Minute, true, time.Hour},
		{"after an unknown time", 0, false, 0},
	} {
		r, err := Resume(toolPack(), prof, s, c.gap, c.known)
		if err != nil {
			t.Fatal(err)
		}
		skip := int(c.gap.Seconds())
		rest := run[half-1+skip:]
		for _, x := range rest[:200] {
			x.T += c.base - rest[0].T
			feed(t, r, []Sample{x})
		}
		f := r.Forecast()
		ref := want.Expected - time.Duration(200+skip)*time.Second
		if !f.Known || math.Abs((f.Expected-ref).Seconds()) > 0.12*ref.Seconds() {
			t.Errorf("%s: %v, want about %v", c.name, f.Expected, ref)
		}
		if !slices.Contains(f.Basis, Restored) {
			t.Errorf("%s: basis %v does not say restored", c.name, f.Basis)
		}
		if sw, why := r.SwapSuspected(); sw {
			t.Errorf("%s: a swap was suspected: %s", c.name, why)
		}
	}
}

func TestASwapIsSeenAndAPauseIsNot(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 9))
	run := tremblayLiIon(5, 5).discharge(40, 15, 1, rng)
	late := run[len(run)*7/10]
	old := func() *Estimator {
		e := mustNew(t, toolPack(), nil)
		feed(t, e, run[:len(run)*7/10+1])
		return e
	}
	for _, c := range []struct {
		name  string
		after []Sample
		want  bool
	}{
		{"a full pack after an absence", []Sample{{T: 1e9, PackV: 0.1}, {T: 40e9, PackV: 20.4, PackA: 2}}, true},
		{"a full pack after a gap without readings", []Sample{{T: 300e9, PackV: 20.4, PackA: 2}}, true},
		{"the same pack again", []Sample{{T: 1e9, PackV: 0.1}, {T: 40e9, PackV: late.PackV + 0.05, PackA: late.PackA}}, false},
		{"the same pack recovered at rest", []Sample{{T: 1e9, PackV: late.PackV + 0.5, PackA: 0}, {T: 900e9, PackV: late.PackV + 0.8, PackA: 0}}, false},
		{"no gap at all", []Sample{{T: 1e9, PackV: late.PackV, PackA: late.PackA}}, false},
	} {
		e := old()
		for _, s := range c.after {
			s.T += late.T
			feed(t, e, []Sample{s})
		}
		if got, why := e.SwapSuspected(); got != c.want {
			t.Errorf("%s: suspected %v (%s), want %v", c.name, got, why, c.want)
		}
	}
}

func TestAWeekAtOneHertzStaysBounded(t *testing.T) {
	e := mustNew(t, Spec{Chemistry: LFP, SeriesCells: 4, CapacityAh: 100, CutoffV: 10}, nil)
	rng := rand.New(rand.NewPCG(8, 9))
	for k := range 7 * 86400 {
		a := 0.5 + 0.4*math.Sin(float64(k)/40)
		if k%3600 < 300 {
			a = 0
		}
		feed(t, e, []Sample{{T: time.Duration(k) * time.Second, PackV: 13.2 - 1e-6*float64(k) + 0.003*rng.NormFloat64(), PackA: a}})
	}
	if n := len(e.run.Bins); n > maxBins {
		t.Errorf("%d bins, want at most %d", n, maxBins)
	}
	if n := len(e.run.Slots); n > maxSlots {
		t.Errorf("%d load slots, want at most %d", n, maxSlots)
	}
	if b, err := json.Marshal(e.Save()); err != nil || len(b) > 32<<10 {
		t.Errorf("saved state: %d bytes, %v", len(b), err)
	}
	if f := e.Forecast(); !f.Known {
		t.Errorf("no forecast: %s", f.Why)
	}
}

func TestProfileStaysBoundedAndJudges(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 9))
	spec := toolPack()
	var prof *Profile
	verdict := func(q float64) Verdict {
		var err error
		if prof, err = Learn(prof, spec, tremblayLiIon(q, 5).discharge(20, 15, 5, rng)); err != nil {
			t.Fatal(err)
		}
		v, why := prof.Verdict(spec)
		if !strings.Contains(why, "label") {
			t.Errorf("%.1f Ah: reason %q does not speak of the label", q, why)
		}
		return v
	}
	for _, c := range []struct {
		ah   float64
		want Verdict
	}{{5, Good}, {4.8, Good}, {3.6, Tired}, {2.6, Retire}} {
		if got := verdict(c.ah); got != c.want {
			t.Errorf("%.1f Ah of 5 Ah: %s, want %s", c.ah, got, c.want)
		}
	}
	for range 4 {
		verdict(5)
	}
	b, err := json.Marshal(prof)
	if err != nil {
		t.Fatal(err)
	}
	if len(prof.Runs) > maxRuns || len(b) > 128<<10 {
		t.Errorf("%d runs, %d bytes", len(prof.Runs), len(b))
	}
	if v, why := new(Profile).Verdict(spec); v != VerdictUnknown || why == "" {
		t.Errorf("an empty profile: %s, %q", v, why)
	}
}

func TestPartialRunsTeachToo(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 9))
	run := tremblayLiIon(5, 5).discharge(40, 15, 5, rng)
	prof, err := Learn(nil, toolPack(), run[:len(run)/2])
	if err != nil {
		t.Fatal(err)
	}
	if prof.Past[0].Whole {
		t.Error("half a discharge counts as whole")
	}
	e := mustNew(t, toolPack(), prof)
	feed(t, e, run[:len(run)/3])
	if f := e.Forecast(); !f.Known || f.Basis[0] != History {
		t.Errorf("forecast after half a run learned: %+v", f)
	}
	if _, err := Learn(nil, toolPack(), run[:3]); err == nil {
		t.Error("three readings taught something")
	}
}
