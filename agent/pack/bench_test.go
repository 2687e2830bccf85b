package pack

import (
	"os"
	"slices"
	"testing"
	"time"
)

// steadyRun is a made-up discharge of a 5 Ah cell at 1 Hz, only to have something to run on.
func steadyRun(n int) []Sample {
	out := make([]Sample, n)
	for i := range out {
		x := float64(i) / float64(n)
		out[i] = Sample{T: time.Duration(i) * time.Second, PackV: 5 * (4.1 - 0.9*x - 0.3*x*x*x*x), PackA: 3.2, TempC: 20 + 10*x, TempKnown: true}
	}
	return out
}

func benchSpec() Spec {
	return Spec{Chemistry: LiIon, SeriesCells: 5, CapacityAh: 5, CutoffV: 13}
}

func BenchmarkUpdate(b *testing.B) {
	run := steadyRun(5000)
	var e *Estimator
	b.ReportAllocs()
	for i := range b.N {
		if i%len(run) == 0 {
			e, _ = New(benchSpec(), nil)
		}
		if err := e.Update(run[i%len(run)]); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkForecast(b *testing.B) {
	for _, hist := range []string{"none", "history"} {
		b.Run(hist, func(b *testing.B) { benchForecast(b, hist) })
	}
}

// benchForecast times one forecast after each five readings.
func benchForecast(b *testing.B, hist string) {
	run := steadyRun(5000)
	var prof *Profile
	if hist == "history" {
		prof, _ = Learn(nil, benchSpec(), run)
		prof, _ = Learn(prof, benchSpec(), run)
	}
	var e *Estimator
	b.ReportAllocs()
	var took []time.Duration
	for i := range b.N {
		k := 5 * i % len(run)
		b.StopTimer()
		if k == 0 {
			e, _ = New(benchSpec(), prof)
			for _, s := range run[:100] {
				_ = e.Update(s)
			}
			e.Forecast()
		}
		for j := range 5 {
			s := run[k+j]
			s.T += time.Hour
			if err := e.Update(s); err != nil {
				b.Fatal(err)
			}
		}
		b.StartTimer()
		t := time.Now()
		e.Forecast()
		took = append(took, time.Since(t))
	}
	slices.Sort(took)
	b.ReportMetric(float64(took[len(took)*99/100].Microseconds()), "p99-us")
	b.ReportMetric(float64(took[len(took)-1].Microseconds()), "worst-us")
}

// noise is how much slower than the limit a shared machine may show it.
const noise = 2

// The limits: one update 20 µs, one forecast with its interval 2 ms, on the mean; what
// they allocate must not grow either. Alone on a machine only, hence CANDLEMARK_LONG.
func TestUpdateAndForecastKeepTheirTime(t *testing.T) {
	if os.Getenv("CANDLEMARK_LONG") == "" {
		t.Skip("timing wants a quiet machine: CANDLEMARK_LONG=1")
	}
	for name, b := range map[string]struct {
		run    func(*testing.B)
		most   time.Duration
		allocs int64
	}{
		"update":                   {BenchmarkUpdate, 20 * time.Microsecond, 0},
		"forecast without history": {func(b *testing.B) { benchForecast(b, "none") }, 2 * time.Millisecond, 20},
		"forecast with history":    {func(b *testing.B) { benchForecast(b, "history") }, 2 * time.Millisecond, 20},
	} {
		r := testing.Benchmark(b.run)
		took := time.Duration(r.NsPerOp())
		t.Logf("%s: %v, %d allocations, %d bytes", name, took, r.AllocsPerOp(), r.AllocedBytesPerOp())
		if took == 0 || took > noise*b.most {
			t.Errorf("%s took %v, want at most %v (times %d for noise)", name, took, b.most, noise)
		}
		if r.AllocsPerOp() > b.allocs {
			t.Errorf("%s: %d allocations, want at most %d", name, r.AllocsPerOp(), b.allocs)
		}
	}
}
