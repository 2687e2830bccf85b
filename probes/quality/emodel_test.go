package quality

import (
	"math"
	"testing"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s is %.6g, want %.6g within %.3g", what, got, want, tolerance)
	}
}

func rate(t *testing.T, change func(*EModel)) Rating {
	t.Helper()
	e := DefaultEModel()
	change(&e)
	r, err := e.Rate()
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// Published default: ITU-T G.107 section 7.7, R = 93.2. The parts were computed
// independently from the same formula set (checks E38, E39).
func TestDefaultsGiveThePublishedRating(t *testing.T) {
	r := rate(t, func(*EModel) {})
	near(t, "R", r.R, 93.2, 0.05)
	near(t, "MOS", r.MOS, 4.41, 0.005)
	near(t, "No", r.No, -61.18, 0.005)
	near(t, "Ro", r.Ro, 94.77, 0.005)
	near(t, "Is", r.Is, 1.414, 0.0005)
	near(t, "Idle", r.Idle, 0.149, 0.0005)
	near(t, "Idte", r.Idte, 0, 0)
	near(t, "Idd", r.Idd, 0, 0)
}

// ITU-T G.107 annex B, table B.1 prints 2.58, 3.10, 3.60, 4.03, 4.34 for 50 to 90
// (from memory); the finer values are computed (E40).
func TestMOSOfRating(t *testing.T) {
	for r, want := range map[float64]float64{50: 2.575, 60: 3.1, 70: 3.597, 80: 4.024, 90: 4.339, 94: 4.424, 100: 4.5} {
		near(t, "MOS", MOS(r), want, 0.005)
	}
	// With 7.0e-6, the default is 4.4093; the misread 7.10e-6 gives 4.4114 (T6).
	near(t, "MOS of 93.2", MOS(93.2), 4.4093, 0.0005)
}

func TestMOSStaysWithinItsScale(t *testing.T) { // E41: the bare cubic reaches 0.989 at R = 3.2
	for _, r := range []float64{-20, 0, 1, 3.2, 6, math.NaN()} {
		near(t, "MOS", MOS(r), 1, 0)
	}
	near(t, "MOS", MOS(130), 4.5, 0)
	for r := 0.0; r < 100; r += 0.1 {
		if MOS(r+0.1) < MOS(r) {
			t.Fatalf("MOS falls as R rises past %.1f", r)
		}
	}
}

// Computed from the formula of ITU-T G.107 (E42). Cole and Rosenbluth's shortcut
// would give 3.60 at 150 ms and 20.7 at 300 ms (T7).
func TestDelayImpairmentIsTheRecommendationsOwn(t *testing.T) {
	for ms, want := range map[float64]float64{0: 0, 100: 0, 150: 0.164, 200: 3.04, 250: 8.92, 300: 14.76, 400: 24.07} {
		near(t, "Idd", rate(t, func(e *EModel) { e.Ta = ms }).Idd, want, 0.05)
	}
}

// Bpl from ITU-T G.113 appendix I (from memory): G.711 4.3 without loss
// concealment, 25.1 with. Values computed (E44, E45, T8).
func TestPacketLossImpairment(t *testing.T) {
	for _, c := range []struct{ bpl, percent, ieEff, mos float64 }{
		{4.3, 1, 17.93, 3.83}, {4.3, 2, 30.16, 3.26}, {4.3, 5, 51.08, 2.17},
		{25.1, 1, 3.64, 4.33}, {25.1, 2, 7.01, 4.24},
	} {
		r := rate(t, func(e *EModel) { e.Bpl, e.Ppl = c.bpl, c.percent })
		near(t, "Ie,eff", r.IeEff, c.ieEff, 0.01)
		near(t, "MOS", r.MOS, c.mos, 0.005)
	}
}

func TestTalkerEchoGrowsWithItsDelay(t *testing.T) {
	var last float64 = -1
	for _, ms := range []float64{0, 10, 50, 100, 200, 400} {
		idte := rate(t, func(e *EModel) { e.T = ms }).Idte
		if idte < last {
			t.Errorf("Idte falls to %.2f at %v ms", idte, ms)
		}
		last = idte
	}
	// ITU-T G.107 figure on talker echo (from memory): with TELR 65 dB the echo of
	// 100 ms costs a few points, with 45 dB it ruins the call.
	good, bad := rate(t, func(e *EModel) { e.T = 100 }).R, rate(t, func(e *EModel) { e.T, e.TELR = 100, 45 }).R
	if good < 88 || bad > 75 {
		t.Errorf("R with echo at 65 dB %.1f, at 45 dB %.1f", good, bad)
	}
}

func TestRateRefusesWhatIsNoInput(t *testing.T) {
	for name, change := range map[string]func(*EModel){
		"NaN":              func(e *EModel) { e.Ta = math.NaN() },
		"infinite":         func(e *EModel) { e.Nc = math.Inf(-1) },
		"negative delay":   func(e *EModel) { e.T = -1 },
		"loss above 100 %": func(e *EModel) { e.Ppl = 101 },
		"no Bpl":           func(e *EModel) { e.Bpl = 0 },
	} {
		e := DefaultEModel()
		change(&e)
		if _, err := e.Rate(); err == nil {
			t.Errorf("%s was taken", name)
		}
	}
}
