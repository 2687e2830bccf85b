package agent

import (
	"context"
	"errors"
	"os"
	"runtime"
	"testing"
	"testing/synctest"
	"time"

	"github.com/rs/zerolog"

	"candlemark/agent/schedule"
	"candlemark/probes"
	"candlemark/sensors"
)

// worn is a sensor whose pack is drained and charged over and over, and that fails now
// and then.
type worn struct {
	d        drain
	reads    int
	last     time.Time
	charging bool
}

func (w *worn) Read() (sensors.Reading, error) {
	w.reads++
	now := time.Now()
	if w.reads%50 == 0 {
		return sensors.Reading{}, errors.New("worn: no acknowledge")
	}
	hours := 0.0
	if !w.last.IsZero() {
		hours = now.Sub(w.last).Hours()
	}
	w.last = now
	v := w.d.volts(0.2)
	amps := 4 / v
	switch {
	case w.charging:
		amps = -1
		w.charging = w.d.usedAh > 0
	default:
		w.charging = v < 15
	}
	w.d.usedAh += amps * hours
	return sensors.Reading{At: now, PackV: w.d.volts(amps), PackA: amps, BusV: v}, nil
}
func (w *worn) String() string { return "worn" }
func (w *worn) Close() error   { return nil }

// deaf is a target that never answers.
type deaf struct{}

func (deaf) Probe(context.Context) probes.Result {
	time.Sleep(time.Second)
	return probes.Result{Target: "far", Kind: probes.Latency, Section: probes.Uplink, Err: errors.New("deaf: no answer")}
}

// A week (CANDLEMARK_LONG=1; else three days) of the agent's whole loop: sampler,
// prober, step, teller. After the first day nothing may grow any more.
func TestAWeekLeavesNoGrowthInGoroutinesHeapOrQueues(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		set := testSetup()
		set.PowerOffAt, set.ForecastEvery = 0, 30*time.Minute
		set.Packs[0].StaleAfter = 10 * time.Minute
		set.Targets = set.Targets[:1]
		set.Schedule = schedule.Config{Items: []schedule.Item{{Name: "far", Kind: probes.Latency, Every: 10 * time.Minute}}}
		e := &ears{}
		a, err := New(Parts{
			Setup: set, Keeper: e, Receivers: e, Log: zerolog.Nop(), ClockSet: func() bool { return true }, Speed: 1,
			Sources: []Source{{Pack: "terminal", Every: 2 * time.Minute, Open: func() (sensors.Sensor, error) { return &worn{d: drain{capacityAh: 4.6}}, nil }}},
			Probers: map[string]probes.Prober{"far": deaf{}},
		})
		if err != nil {
			t.Fatal(err)
		}
		ctx, stop := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() { ended <- a.Run(ctx) }()
		look := func() (goroutines int, heap uint64, queued int) {
			synctest.Wait()
			runtime.GC()
			var m runtime.MemStats
			runtime.ReadMemStats(&m)
			return runtime.NumGoroutine(), m.HeapAlloc, len(a.events) + len(a.probe.asked)
		}
		time.Sleep(24 * time.Hour)
		routines, heap, queued := look()
		days := 3
		if os.Getenv("CANDLEMARK_LONG") != "" {
			days = 7
		}
		for range days - 1 {
			time.Sleep(24 * time.Hour)
			if err := a.Swap(ctx, "terminal", "", true, "op"); err != nil {
				t.Fatal(err)
			}
		}
		time.Sleep(2 * time.Second)
		routinesNow, heapNow, queuedNow := look()
		if routinesNow > routines {
			t.Errorf("%d goroutines after a day, %d at the end", routines, routinesNow)
		}
		// One rebuild of the hypotheses may be in the making at either look.
		if heapNow > heap+4<<20 {
			t.Errorf("%d bytes of heap after a day, %d at the end", heap, heapNow)
		}
		if queuedNow > queued+1 {
			t.Errorf("%d queued after a day, %d at the end", queued, queuedNow)
		}
		t.Logf("a day: %d goroutines, %.1f MB, %d queued; the end: %d, %.1f MB, %d", routines, float64(heap)/1e6, queued, routinesNow, float64(heapNow)/1e6, queuedNow)
		s := a.Snapshot()
		if int(s.Packs[0].Swaps) < days-1 || s.Targets[0].Attempts < uint64(40*days) || len(s.Known) != 1 {
			t.Errorf("the days were not lived: %d swaps, %d probes, %d packs known", s.Packs[0].Swaps, s.Targets[0].Attempts, len(s.Known))
		}
		if up := a.Now(); up.Up < time.Duration(days)*24*time.Hour {
			t.Errorf("lived %s", up.Up)
		}
		stop()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
}
