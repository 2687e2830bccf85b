package quality

import (
	"slices"
	"testing"
	"time"

	"candlemark/probes"
)

const ms = time.Millisecond

// draft-ietf-ippm-responsiveness-09 (E30).
func TestRoundTripsPerMinute(t *testing.T) {
	for d, want := range map[time.Duration]float64{200 * ms: 300, 60 * ms: 1000, 10 * ms: 6000} {
		got, ok := RPM(d)
		if !ok {
			t.Fatalf("%v has no rate", d)
		}
		near(t, "RPM", got, want, 1e-9)
	}
	if _, ok := RPM(0); ok {
		t.Error("a round trip of 0 has a rate")
	}
}

func TestBandsOfTheDraft(t *testing.T) { // E31
	for rpm, want := range map[float64]Band{299.9: Poor, 300: Fair, 999: Fair, 1000: Good, 5999: Good, 6000: Excellent} {
		if got := BandOf(rpm); got != want {
			t.Errorf("%v is %s, want %s", rpm, got, want)
		}
	}
}

// Worked from the draft's formulas (E32 to E34): 1200 and 800 make 1000. Averaging
// the delays first would give 960 (T9).
func TestForeignAndLoadedAreAveragedAsRates(t *testing.T) {
	r, ok := Respond(&probes.WorkingDelays{TCP: all(40 * ms), TLS: all(50 * ms), HTTP: all(60 * ms), Loaded: all(75 * ms)})
	if !ok {
		t.Fatal("not computed")
	}
	near(t, "foreign", r.Foreign, 1200, 0.5)
	near(t, "loaded", r.Loaded, 800, 0.5)
	near(t, "result", r.RPM, 1000, 0.5)
	if r.Band != Good || r.Samples != 20 {
		t.Errorf("band %s of %d samples", r.Band, r.Samples)
	}
}

func TestWithoutTLSItHasNoPart(t *testing.T) { // E33: 60000 / ((40 + 60) / 2), not / 3 with a 0
	r, ok := Respond(&probes.WorkingDelays{TCP: all(40 * ms), HTTP: all(60 * ms), Loaded: all(75 * ms)})
	if !ok {
		t.Fatal("not computed")
	}
	near(t, "foreign", r.Foreign, 1200, 0.5)
	if _, ok := Respond(&probes.WorkingDelays{TCP: all(40 * ms), HTTP: all(60 * ms)}); ok {
		t.Error("a result without a loaded part")
	}
}

func TestTheTrimHidesWhatThePercentilesKeep(t *testing.T) { // E36
	loaded := all(60 * ms)
	loaded[7] = 2 * time.Second
	r, ok := Respond(&probes.WorkingDelays{TCP: all(60 * ms), HTTP: all(60 * ms), Loaded: loaded})
	if !ok {
		t.Fatal("not computed")
	}
	near(t, "result", r.RPM, 1000, 0.5)
	if r.P50 != 60*ms || r.P99 != 2*time.Second {
		t.Errorf("median %v, 99th percentile %v", r.P50, r.P99)
	}
}

func TestDefaultsOfTheDraft(t *testing.T) { // E35
	got := []float64{MovingAverageDistance, IntervalDuration.Seconds(), TrimmedMeanShare, StabilityTolerance, InitialConnections, ConnectionsPerStep, MostConnections, MostProbesPerSecond, ProbeCapacityShare}
	if want := []float64{4, 5, 0.95, 0.05, 1, 1, 16, 100, 0.05}; !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
}

func all(d time.Duration) []time.Duration { return slices.Repeat([]time.Duration{d}, 20) }
