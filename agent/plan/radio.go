package plan

import (
	"math"
	"math/cmplx"
)

// FreeSpaceLossDB is ITU-R P.525: 32.45 + 20 log f(MHz) + 20 log d(km). The
// Recommendation prints the constant as 32.4.
func FreeSpaceLossDB(freqHz, distanceM float64) float64 {
	return 32.45 + 20*math.Log10(freqHz/1e6) + 20*math.Log10(distanceM/1000)
}

// Building is a class of building in ITU-R P.2109.
type Building string

const (
	OpenAir     Building = ""
	Traditional Building = "traditional"
	Efficient   Building = "thermally-efficient" // metallised glass, foil-backed panels
)

// EntryLossDB is the building entry loss of ITU-R P.2109-2 that a share p of
// places does not exceed, 0.08 to 100 GHz, at an elevation of the path at the
// façade in degrees. Coefficients as in the public reference code.
func EntryLossDB(b Building, freqHz, p, elevationDeg float64) (float64, bool) {
	var r, s, t, u, v, w, x, y, z float64
	switch b {
	case Traditional:
		r, s, t, u, v, w, x, y, z = 12.64, 3.72, 0.96, 9.6, 2.0, 9.1, -3.0, 4.5, -2.0
	case Efficient:
		r, s, t, u, v, w, x, y, z = 28.19, -3.00, 8.48, 13.5, 3.8, 27.8, -2.9, 9.4, -2.1
	default:
		return 0, false
	}
	if !(freqHz >= 0.08e9 && freqHz <= 100e9 && p > 0 && p < 1 && math.Abs(elevationDeg) <= 90) {
		return 0, false
	}
	f := math.Log10(freqHz / 1e9)
	q := math.Sqrt2 * math.Erfinv(2*p-1) // standard normal quantile
	a := q*(u+v*f) + r + s*f + t*f*f + 0.212*math.Abs(elevationDeg)
	c := q*(y+z*f) + w + x*f
	return 10 * math.Log10(math.Pow(10, 0.1*a)+math.Pow(10, 0.1*c)+math.Pow(10, -0.3)), true
}

// Material is a building material of ITU-R P.2040-3 table 3: relative
// permittivity, and conductivity c f(GHz)^d in S/m.
type Material struct{ Permittivity, C, D float64 }

// MaterialOf gives the material by name: concrete, brick, plasterboard, wood, glass.
func MaterialOf(name string) (Material, bool) {
	switch name {
	case "concrete":
		return Material{5.24, 0.0462, 0.7822}, true
	case "brick":
		return Material{3.91, 0.0238, 0.16}, true
	case "plasterboard":
		return Material{2.73, 0.0085, 0.9395}, true
	case "wood":
		return Material{1.99, 0.0047, 1.0718}, true
	case "glass":
		return Material{6.31, 0.0036, 1.3394}, true
	}
	return Material{}, false
}

// SlabLossDB is the loss through one slab at normal incidence (the slab formula
// of ITU-R P.2040 section 2.2). Its resonances make it a guide.
func SlabLossDB(m Material, thicknessM, freqHz float64) float64 {
	const eps0, c = 8.8541878128e-12, 299792458.0
	sigma := m.C * math.Pow(freqHz/1e9, m.D)
	eta := complex(m.Permittivity, -sigma/(2*math.Pi*freqHz*eps0))
	n := cmplx.Sqrt(eta)
	r := (1 - n) / (1 + n)
	q := complex(2*math.Pi*thicknessM*freqHz/c, 0) * n
	t := (1 - r*r) * cmplx.Exp(-1i*q) / (1 - r*r*cmplx.Exp(-2i*q))
	return -20 * math.Log10(cmplx.Abs(t))
}

// IndoorOfficeLossDB is the site-general office model of ITU-R P.1238-11:
// 10 a log d + b + 10 g log f(GHz), in sight or not.
func IndoorOfficeLossDB(inSight bool, freqHz, distanceM float64) float64 {
	a, b, g := 2.46, 29.53, 2.38
	if inSight {
		a, b, g = 1.46, 34.62, 2.03
	}
	return 10*a*math.Log10(distanceM) + b + 10*g*math.Log10(freqHz/1e9)
}

// IndoorPowerLawLossDB is the older P.1238 form, 20 log f(MHz) + n log d + floors
// - 28, with n 30 in offices and the loss of the floors between in dB.
func IndoorPowerLawLossDB(freqHz, distanceM, n, floorsDB float64) float64 {
	return 20*math.Log10(freqHz/1e6) + n*math.Log10(distanceM) + floorsDB - 28
}

// SharedAirtime is what two hops carry that take turns on one channel:
// 1/(1/a + 1/b).
func SharedAirtime(a, b float64) float64 {
	if a <= 0 || b <= 0 {
		return 0
	}
	return 1 / (1/a + 1/b)
}
