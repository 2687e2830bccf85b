package distribution

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

// The reference is gonum's distuv, a general-purpose library.
func TestAgreesWithTheReferenceLibrary(t *testing.T) {
	near := func(what string, got, want float64) {
		t.Helper()
		if math.Abs(got-want) > 1e-9*math.Max(1, math.Abs(want)) {
			t.Errorf("%s: got %.12g, want %.12g", what, got, want)
		}
	}
	for _, p := range []float64{1e-6, 0.001, 0.025, 0.05, 0.3, 0.4999, 0.5, 0.5001, 0.8, 0.975, 0.9985, 1 - 1e-6} {
		near("normal quantile", NormalQuantile(p), distuv.UnitNormal.Quantile(p))
		near("normal cdf", NormalCDF(NormalQuantile(p)), p)
		for _, nu := range []float64{1, 1.7, 2, 5, 14.3, 30, 1000} {
			ref := distuv.StudentsT{Sigma: 1, Nu: nu}
			q := StudentQuantile(p, nu)
			near("student round trip", StudentSurvival(q, nu), 1-p)
			if p > 0.001 && p < 0.999 { // beyond, the reference itself is inexact
				if want := ref.Quantile(p); math.Abs(q-want) > 1e-6*math.Max(1, math.Abs(want)) {
					t.Errorf("student quantile p=%g nu=%g: got %.9g, want %.9g", p, nu, q, want)
				}
			}
			near("student survival", StudentSurvival(1.3, nu), ref.Survival(1.3))
			near("chi-squared quantile", ChiSquaredQuantile(p, nu), distuv.ChiSquared{K: nu}.Quantile(p))
		}
	}
	x := []float64{3, -1, 4, 1, -5, 9.5}
	near("mean", Mean(x), stat.Mean(x, nil))
	near("standard deviation", StandardDeviation(x), stat.StdDev(x, nil))
}

// Student's t tables: NIST/SEMATECH e-Handbook 1.3.6.7.2 (from memory): t(0.975; 1, 10, 30).
func TestStudentTable(t *testing.T) {
	for nu, want := range map[float64]float64{1: 12.706, 10: 2.228, 30: 2.042} {
		if got := StudentQuantile(0.975, nu); math.Abs(got-want) > 0.0005 {
			t.Errorf("t(0.975, %g) = %.4f, want %.3f", nu, got, want)
		}
	}
}

// NIST StRD NumAcc4: mean 10000000.2, standard deviation 0.1, to 8 digits (checks F14).
func TestStandardDeviationKeepsItsDigits(t *testing.T) {
	x := []float64{10000000.2}
	for range 500 {
		x = append(x, 10000000.1, 10000000.3)
	}
	if m, s := Mean(x), StandardDeviation(x); math.Abs(m-10000000.2) > 1e-7 || math.Abs(s-0.1) > 1e-8 {
		t.Errorf("mean %.9f, standard deviation %.10f", m, s)
	}
}
