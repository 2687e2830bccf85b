package plan

import (
	"math"
	"testing"
)

// near fails when got strays from want by more than tol, which has want's unit.
func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if math.IsNaN(got) || math.Abs(got-want) > tol {
		t.Errorf("%s: got %.6g, want %.6g within %.2g", what, got, want, tol)
	}
}

func awg(n int, lengthM float64) Conductor {
	return Conductor{Name: "lead", AWG: n, GaugeKnown: true, AreaMM2: AWGAreaMM2(n), CopperShare: 1, LengthM: lengthM, TempC: 20, Pairs: 1}
}

// ASTM B258: d = 0.127 mm x 92^((36-n)/39); the formula from secondary copies,
// the values computed from it. 4/0 is 0.4600 in, 11.684 mm, by definition.
func TestGaugeDiameters(t *testing.T) {
	for n, want := range map[int]float64{-3: 11.684, 12: 2.0525, 14: 1.6277, 16: 1.2908, 18: 1.0237, 20: 0.8118, 22: 0.6438, 23: 0.5733, 24: 0.5106, 26: 0.4049, 36: 0.127} {
		near(t, "diameter, mm", AWGDiameterMM(n), want, 0.0005)
	}
}

// ASTM B258, NBS Handbook 100; a public table agrees.
func TestGaugeAreas(t *testing.T) {
	for n, want := range map[int]float64{12: 3.309, 14: 2.081, 16: 1.309, 18: 0.8230, 22: 0.3255, 23: 0.2582, 24: 0.2047} {
		near(t, "area, mm²", AWGAreaMM2(n), want, 0.001*want)
	}
}

// NBS Handbook 100's method: IEC 60028 resistivity over ASTM B258 area; published
// tables agree (5.21, 8.28, 13.17, 20.94, 66.78, 84.20 ohm/km). 1/0: 0.3224
// ohm/km, and 4/0: 0.1608 (NBS Circular 31, from memory).
func TestCopperResistanceAt20Degrees(t *testing.T) {
	for n, want := range map[int]float64{-3: 0.1608, 0: 0.3224, 10: 3.277, 12: 5.211, 14: 8.285, 16: 13.17, 18: 20.95, 20: 33.31, 22: 52.96, 23: 66.78, 24: 84.21, 26: 133.9} {
		near(t, "ohm/km", awg(n, 1).OhmPerKM(), want, 0.003*want)
	}
}

// 0.00393/K at 20 °C: IEC 60028, NBS Handbook 100 (secondary copies).
func TestCopperResistanceFollowsTemperature(t *testing.T) {
	for _, c := range []struct {
		n           int
		tempC, want float64
	}{{24, 60, 97.45}, {14, 60, 9.588}, {24, -20, 70.98}} {
		w := awg(c.n, 1)
		w.TempC = c.tempC
		near(t, "ohm/km", w.OhmPerKM(), c.want, 0.003*c.want)
	}
}

// A published worked example (a calculator page): 12 AWG, 50 m one way is about
// 0.26 ohm one way and 0.52 ohm out and back.
func TestPublishedExampleOfLoopResistance(t *testing.T) {
	near(t, "loop ohm", awg(12, 50).LoopOhm(), 0.52, 0.005)
}

// DC drop counts the conductor out and back: dU = 2 I L R' (copies of IEC
// 60364-5-52 annex G). Half of it would be the fault of forgetting the return.
// Metric: IEC 60228, 2.5 mm² 7.41 ohm/km (from memory).
func TestVoltageDrop(t *testing.T) {
	metric := Conductor{AreaMM2: 2.5, CopperShare: 1, LengthM: 10, TempC: 20, Pairs: 1}
	for _, c := range []struct {
		what       string
		wire       Conductor
		a, want, v float64
		share      float64
	}{
		{"14 AWG 10 m 5 A of 12 V", awg(14, 10), 5, 0.8285, 12, 0.0690},
		{"14 AWG 10 m 5 A of 18 V", awg(14, 10), 5, 0.8285, 18, 0.0460},
		{"18 AWG 5 m 3 A of 12 V", awg(18, 5), 3, 0.628, 12, 0.0524},
		{"2.5 mm² 10 m 5 A", metric, 5, 0.741, 12, 0.741 / 12},
	} {
		drop := c.wire.LoopOhm() * c.a
		near(t, c.what, drop, c.want, 0.005*c.want)
		near(t, c.what+", share", drop/c.v, c.share, 0.0005)
	}
}

// Parallel-conductor model with aluminium at 61 % IACS; classes 10A and 15A of
// ASTM B566 (abstract read). A maker's table of 15 % gives the ratio 1.492. Over
// 100 m both exceed the 9.38 ohm of TIA-568 (from memory).
func TestCopperCladAluminium(t *testing.T) {
	for share, want := range map[float64]struct{ ratio, per100m float64 }{0.10: {1.541, 12.98}, 0.15: {1.496, 12.60}} {
		c := awg(24, 1)
		copper := c.OhmPerKM()
		c.CopperShare = share
		near(t, "ratio to copper", c.OhmPerKM()/copper, want.ratio, 0.01*want.ratio)
		near(t, "24 AWG, ohm/100 m", c.OhmPerKM()/10, want.per100m, 0.01*want.per100m)
		if c.OhmPerKM()/10 <= 9.38 {
			t.Error("24 AWG copper-clad aluminium met the limit for copper")
		}
	}
	near(t, "24 AWG copper, ohm/100 m", awg(24, 1).OhmPerKM()/10, 8.42, 0.01)
	near(t, "26 AWG copper, ohm/100 m", awg(26, 1).OhmPerKM()/10, 13.4, 0.02)
}

// 30 m of solid 24 AWG, both pairs of one polarity paralleled and all four pairs:
// computed from the values above.
func TestPairsInParallel(t *testing.T) {
	c := awg(24, 30)
	for pairs, want := range map[int]float64{1: 5.053, 2: 2.526, 4: 1.263} {
		c.Pairs = pairs
		near(t, "loop ohm", c.LoopOhm(), want, 0.003*want)
	}
}

// NEC 240.4(D): 14, 12 and 10 AWG from a maker's copy of the table, 18 and 16 AWG
// from a secondary one. The network figure: see networkConductorA.
func TestConductorRatings(t *testing.T) {
	clad := func(n int) Conductor { c := awg(n, 1); c.CopperShare = 0.15; return c }
	mm2 := func(a float64) Conductor { return Conductor{AreaMM2: a, CopperShare: 1, Pairs: 1} }
	network := awg(24, 1)
	network.Network, network.Pairs = true, 4
	for _, c := range []struct {
		what string
		wire Conductor
		want float64
	}{
		{"18 AWG", awg(18, 1), 7}, {"16 AWG", awg(16, 1), 10}, {"14 AWG", awg(14, 1), 15}, {"12 AWG", awg(12, 1), 20}, {"10 AWG", awg(10, 1), 30},
		{"12 AWG clad", clad(12), 15}, {"10 AWG clad", clad(10), 25},
		{"13 AWG takes 14's", awg(13, 1), 15}, {"2.5 mm² takes 14 AWG's", mm2(2.5), 15}, {"1.5 mm² takes 16 AWG's", mm2(1.5), 10},
		{"14 AWG clad takes 16 AWG copper's", clad(14), 10}, {"network, four pairs", network, 2},
	} {
		got, ok := c.wire.Rating()
		if !ok || got != c.want {
			t.Errorf("%s: got %v, %v, want %v A", c.what, got, ok, c.want)
		}
	}
	if r, ok := awg(30, 1).Rating(); ok {
		t.Errorf("30 AWG was rated %v A", r)
	}
}

// Fuse at most the conductor's rating (NEC 240.4(D)) and at least 1.25 times the
// continuous current (NEC practice, from memory).
func TestFuse(t *testing.T) {
	for _, c := range []struct {
		what    string
		current float64
		stated  float64
		wire    Conductor
		fuse    float64 // 0: none fits
		ok      bool
	}{
		{"5.56 A needs 6.95 A: 7.5 A", 5.56, 0, awg(14, 2), 7.5, true},
		{"exactly 1.25 times", 4, 0, awg(14, 2), 5, true},
		{"4.1 A needs 5.13 A", 4.1, 0, awg(14, 2), 7.5, true},
		{"18 AWG takes no more than 7 A, so no 7.5 A", 5.7, 0, awg(18, 2), 0, false},
		{"more than the wire carries", 16, 0, awg(14, 2), 0, false},
		{"stated too large for the wire", 5, 20, awg(14, 2), 20, false},
		{"stated too small for the load", 10, 10, awg(12, 2), 10, false},
		{"stated and right", 10, 15, awg(12, 2), 15, true},
	} {
		f := checkFuse("pack", c.current, c.stated, []Conductor{c.wire})
		got := 0.0
		if f.FuseA != nil {
			got = *f.FuseA
		}
		if f.OK != c.ok || got != c.fuse || f.Why == "" {
			t.Errorf("%s: got %v A, ok %v (%s)", c.what, got, f.OK, f.Why)
		}
	}
}
