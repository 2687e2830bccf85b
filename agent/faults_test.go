package agent

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"candlemark/agent/alarm"
	"candlemark/agent/pack"
	"candlemark/sensors"
)

const faultLead = 15 * time.Minute

// rhythm is how often a run is sampled and judged: often enough that what the rhythm
// itself takes off the lead is a minute at most, and no oftener, for the sake of time.
func rhythm(total time.Duration) (step, forecast time.Duration) {
	if total < 2*time.Hour {
		return 10 * time.Second, 20 * time.Second
	}
	return 20 * time.Second, time.Minute
}

// spell is a stretch of readings.
type spell struct{ from, to int }

func drawSpells(n, most int, step, lo, hi time.Duration, rng *rand.Rand) []spell {
	var out []spell
	for range 1 + rng.IntN(most) {
		from := 1 + rng.IntN(n-1)
		long := lo + time.Duration(rng.Float64()*float64(hi-lo))
		out = append(out, spell{from, from + int(long/step)})
	}
	return out
}

func within(s []spell, i int) (from int, ok bool) {
	for _, x := range s {
		if i >= x.from && i < x.to {
			return x.from, true
		}
	}
	return 0, false
}

// faults are what goes wrong with the sensor and the clock in one discharge.
type faults struct {
	nack         float64 // share of readings that fail
	nacks        []spell
	stuck        []spell
	clipped      []spell
	clipA        float64
	lost         []spell
	back, onward int // reading from which the wall clock is 50 years back, or a day on; 0 never
}

func drawFaults(run []shown, step time.Duration, rng *rand.Rand) faults {
	var f faults
	n := len(run)
	mean := 0.0
	for _, s := range run {
		mean += s.a / float64(n)
	}
	must := rng.IntN(5)
	has := func(kind int) bool { return must == kind || rng.Float64() < 0.4 }
	if has(0) {
		f.nack = 0.1 * rng.Float64()
		f.nacks = drawSpells(n, 3, step, time.Minute, 4*time.Minute, rng)
	}
	if has(1) {
		f.stuck = drawSpells(n, 2, step, 2*time.Minute, 15*time.Minute, rng)
	}
	if has(2) {
		f.clipped, f.clipA = drawSpells(n, 2, step, 2*time.Minute, 20*time.Minute, rng), mean*(0.7+0.25*rng.Float64())
		if rng.Float64() < 0.3 { // the shunt is too small for the end of the discharge
			f.clipped, f.clipA = []spell{{0, n}}, mean*(1+0.1*rng.Float64())
		}
	}
	if has(3) {
		f.lost = drawSpells(n, 2, step, 10*time.Minute, 10*time.Minute, rng)
	}
	if has(4) {
		f.back, f.onward = 1+rng.IntN(n), 1+rng.IntN(n)
	}
	return f
}

func (f faults) String() string {
	return fmt.Sprintf("nack %.2f %v, stuck %v, clipped %v at %.2f A, lost %v, clock back at %d, on at %d",
		f.nack, f.nacks, f.stuck, f.clipped, f.clipA, f.lost, f.back, f.onward)
}

// outcome is how one discharge went.
type outcome struct {
	scene   scene
	faults  faults
	learned bool
	total   time.Duration
	step    time.Duration
	raised  bool
	left    time.Duration // true time left at the raising
}

// faultRun plays one discharge through Step.
func faultRun(seed uint64) (outcome, error) {
	rng := rand.New(rand.NewPCG(seed, 77))
	var o outcome
	var run []shown
	for range 50 {
		o.scene = drawScene(rng)
		run = o.scene.discharge(20, rng)
		if o.total = time.Duration(len(run)-1) * 20 * time.Second; o.total >= 3*faultLead {
			break
		}
	}
	step, every := rhythm(o.total)
	run = o.scene.discharge(step.Seconds(), rng)
	o.total = time.Duration(len(run)-1) * step
	o.step, o.faults = step, drawFaults(run, step, rng)
	mem := Memory{}
	if o.learned = rng.Float64() < 0.5; o.learned {
		prof, err := earlierRun(o.scene, step, rng)
		if err == nil {
			mem.Known = map[string]KnownPack{Unmarked("p"): {Spec: o.scene.spec, Profile: prof}}
		}
		o.learned = err == nil
	}
	set := Setup{BootID: "f", ForecastEvery: every, Packs: []PackSetup{{Name: "p", Spec: o.scene.spec, StaleAfter: 5 * step,
		Leads: alarm.Leads{NextPack: 3 * faultLead, ShutDown: faultLead}}}}
	wall := epoch
	st, err := NewState(set, mem, alarm.Instant{Wall: wall}, true)
	if err != nil {
		return o, err
	}
	var held shown
	for i, s := range run {
		up := time.Duration(i) * step
		if i == o.faults.back && i > 0 {
			wall = wall.AddDate(-50, 0, 0)
		}
		if i == o.faults.onward && i > 0 {
			wall = wall.AddDate(0, 0, 1)
		}
		at := alarm.Instant{Up: up, Wall: wall.Add(up)}
		var effects, more []Effect
		st, effects = Step(st, o.faults.event(at, i, s, &held, o.scene, rng))
		st, more = Step(st, Tick{At: at, Day: at.Wall.Format(time.DateOnly), ClockSet: true})
		if at, ok := raisedAt(append(effects, more...), alarm.ShutTerminalDown); ok && !o.raised {
			o.raised, o.left = true, o.total-at
		}
	}
	return o, nil
}

// event is what the sensor makes of s.
func (f faults) event(at alarm.Instant, i int, s shown, held *shown, sc scene, rng *rand.Rand) Event {
	if _, lost := within(f.lost, i); lost {
		return ReadFailed{At: at, Pack: "p", Err: "i2c-1/0x40: no such device"}
	}
	if _, in := within(f.nacks, i); in || rng.Float64() < f.nack {
		return ReadFailed{At: at, Pack: "p", Err: "i2c-1/0x40: no acknowledge"}
	}
	// A 12-bit converter: steps of 4 mV, and 10 µV over 5 milliohm.
	r := sensors.Reading{At: at.Wall, PackV: math.Round((s.v+0.002*rng.NormFloat64())/0.004) * 0.004, PackA: math.Round(s.a*(1+0.002*rng.NormFloat64())/0.002) * 0.002,
		TempC: math.Round(sc.tempC + 0.3*rng.NormFloat64()), TempKnown: sc.knows}
	if _, in := within(f.clipped, i); in && s.a > f.clipA {
		r.PackA, r.Clipped = f.clipA, true
	}
	if _, in := within(f.stuck, i); in && held.v > 0 {
		r.PackV, r.PackA = held.v, held.a
	} else {
		*held = shown{r.PackV, r.PackA}
	}
	r.BusV = r.PackV
	return Read{At: at, Pack: "p", Reading: r}
}

// earlierRun is the profile after another discharge of the same pack, under its own
// load and temperature, from full.
func earlierRun(s scene, step time.Duration, rng *rand.Rand) (*pack.Profile, error) {
	s.start, s.stepS = 1, 0
	s.watts *= math.Exp(0.3 * rng.NormFloat64())
	s.tempC += 5 * rng.NormFloat64()
	s.soh *= 1 + 0.02*math.Abs(rng.NormFloat64())
	var samples []pack.Sample
	for i, x := range s.discharge(step.Seconds(), rng) {
		samples = append(samples, pack.Sample{T: time.Duration(i) * step, PackV: x.v, PackA: x.a, TempC: s.tempC, TempKnown: s.knows})
	}
	return pack.Learn(nil, s.spec, samples)
}

// why says what most likely made a warning late.
func (o outcome) why() string {
	end := int(o.total / o.step)
	due := end - int(2*faultLead/o.step)
	hit := func(s []spell) bool {
		return slices.ContainsFunc(s, func(x spell) bool { return x.to > due && x.from < end })
	}
	switch f := o.faults; {
	case hit(f.lost) || hit(f.nacks):
		return "no readings when it was due"
	case hit(f.stuck):
		return "a stuck value when it was due"
	case len(f.clipped) > 0:
		return "charge missed by clipping"
	case !o.learned:
		return "no fault near: a pack without history was judged too full"
	}
	return "no fault near: judged too full"
}

// atLeast is the lower end of the exact 95 % interval of k in n (Clopper and Pearson,
// Biometrika 26 (1934) 404), and atMost the upper end.
func atLeast(k, n int) float64 { return 1 - atMost(n-k, n) }

func atMost(k, n int) float64 {
	if k >= n {
		return 1
	}
	lo, hi := 0.0, 1.0
	for range 60 {
		p := (lo + hi) / 2
		tail := 0.0 // P(X <= k)
		for i := range k + 1 {
			a, _ := math.Lgamma(float64(n + 1))
			b, _ := math.Lgamma(float64(i + 1))
			c, _ := math.Lgamma(float64(n - i + 1))
			tail += math.Exp(a - b - c + float64(i)*math.Log(p) + float64(n-i)*math.Log1p(-p))
		}
		if tail > 0.025 {
			lo = p
		} else {
			hi = p
		}
	}
	return lo
}

// Published: 0 of 10 has the upper end 1-0.025^(1/10) = 0.3085.
func TestExactInterval(t *testing.T) {
	if got := atMost(0, 10); math.Abs(got-0.3085) > 1e-4 {
		t.Errorf("upper end of 0 of 10: %.4f, want 0.3085", got)
	}
	if got := atLeast(10, 10); math.Abs(got-0.6915) > 1e-4 {
		t.Errorf("lower end of 10 of 10: %.4f, want 0.6915", got)
	}
}

// faultRuns is how many discharges are played: CANDLEMARK_LONG=1 plays them all.
func faultRuns() int {
	switch {
	case os.Getenv("CANDLEMARK_LONG") != "":
		return 10000
	case testing.Short():
		return 10
	}
	return 24
}

func TestWarningsComeBeforeCutoffThroughSensorAndClockFaults(t *testing.T) {
	n := faultRuns()
	began := time.Now()
	out := make([]outcome, n)
	var wg sync.WaitGroup
	var next atomic.Int64
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for i := int(next.Add(1)) - 1; i < n; i = int(next.Add(1)) - 1 {
				var err error
				if out[i], err = faultRun(uint64(i)); err != nil {
					t.Errorf("run %d: %v", i, err)
					return
				}
			}
		})
	}
	wg.Wait()
	before, full, early, known := 0, 0, 0, 0
	var hours float64
	reasons := map[string]int{}
	for i, o := range out {
		hours += o.total.Hours() / float64(n)
		if o.raised && o.left > 0 {
			before++
		}
		if o.learned {
			known++
			// A lead of 15 % of the run, as the recorded discharges are judged.
			if o.left > max(5*faultLead/2, time.Duration(0.375*float64(o.total))) {
				early++
			}
		}
		if o.raised && o.left >= faultLead {
			full++
			continue
		}
		reasons[o.why()]++
		t.Logf("late: run %d, %s left (%s): %s, %d cells, %.0f %% of the label, %.0f °C, %s in all, history %v; %v",
			i, o.left, o.why(), o.scene.spec.Chemistry, o.scene.spec.SeriesCells, 100*o.scene.soh, o.scene.tempC, o.total, o.learned, o.faults)
	}
	t.Logf("%d runs of %.1f h on the mean, in %s", n, hours, time.Since(began).Round(time.Second))
	t.Logf("before cut-off: %d (95 %%: %.2f to %.2f %%); with the full lead: %d (%.2f to %.2f %%); late because: %v",
		before, 100*atLeast(before, n), 100*atMost(before, n), full, 100*atLeast(full, n), 100*atMost(full, n), reasons)
	t.Logf("with history, above 2.5 leads and 37.5 %% of the run: %d of %d", early, known)
	// The small form is a sample: it fails where the target is refuted.
	if atMost(before, n) < 0.999 || n >= 1000 && float64(before) < 0.999*float64(n) {
		t.Errorf("shut_terminal_down before cut-off in %d of %d, want 99.9 %%", before, n)
	}
	if atMost(full, n) < 0.98 || n >= 1000 && float64(full) < 0.98*float64(n) {
		t.Errorf("shut_terminal_down with the full lead in %d of %d, want 98 %%", full, n)
	}
	// An alarm that is always on would pass the above.
	if n >= 24 && float64(early) > 0.1*float64(known) {
		t.Errorf("%d of %d packs with history were warned of too early", early, known)
	}
}
