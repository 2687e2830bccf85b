package pack

import (
	"math"
	"sort"
)

// Open-circuit voltage (OCV) against state of charge, volts per cell.
//
// Each chemistry has a small family of curves rather than one: cells sold under
// the same name differ by tens of millivolts at the same charge, and the spread
// between published curves is the honest prior for a cell nobody has measured.

const (
	gasConst = 8.314462618 // J/(mol K), CODATA 2018
	faradayC = 96485.33212 // C/mol, CODATA 2018

	// The common grid of state of charge. It reaches below "empty" because a
	// curve's zero is its source's cut-off, not this pack's.
	gridLo   = -0.30
	gridStep = 0.0025
	gridN    = 561
	gridHi   = gridLo + gridStep*(gridN-1)
)

// curve is one OCV curve sampled on the grid.
type curve [gridN]float64

// at gives the curve and its slope at state of charge z, which is clamped to the grid.
func (c *curve) at(z float64) (v, slope float64) {
	x := (z - gridLo) * (1 / gridStep)
	if !(x > 0) {
		x = 0
	} else if x > gridN-1.001 {
		x = gridN - 1.001
	}
	j := int(x)
	d := c[j+1] - c[j]
	return c[j] + (x-float64(j))*d, d * (1 / gridStep)
}

// inverse gives the state of charge at which the curve has voltage v.
func (c *curve) inverse(v float64) float64 {
	j := sort.Search(gridN, func(i int) bool { return c[i] >= v })
	if j == 0 {
		return gridLo
	}
	if j == gridN {
		return gridHi
	}
	return gridLo + gridStep*(float64(j)-(c[j]-v)/math.Max(c[j]-c[j-1], 1e-9))
}

// newCurve samples f on 0..1. Outside, the curve goes on in a straight line: at
// least 5 V per unit of charge below empty (every published curve plunges
// there), 0.5 V per unit above full.
func newCurve(f func(z float64) float64) *curve {
	c := new(curve)
	down := math.Max((f(0.005)-f(0))/0.005, 5)
	for i := range c {
		switch z := gridLo + float64(i)*gridStep; {
		case z < 0:
			c[i] = f(0) + z*down
		case z > 1:
			c[i] = f(1) + (z-1)*0.5
		default:
			c[i] = f(z)
		}
	}
	return c
}

// chen2020 is the LG M50 21700 cell (NMC811 / graphite-SiOx), closed at 2.5 V.
// Electrode functions and concentrations: C.-H. Chen et al., J. Electrochem.
// Soc. 167 (2020) 080534; stoichiometry window x 0.9014 to 0.0263, y 0.2700 to
// 0.8540 for 4.181 V to 2.5 V.
func chen2020(z float64) float64 {
	x := 0.0263 + z*(0.9014-0.0263)
	y := 0.8540 + z*(0.2700-0.8540)
	neg := 1.9793*math.Exp(-39.3631*x) + 0.2482 - 0.0909*math.Tanh(29.8538*(x-0.1234)) -
		0.04478*math.Tanh(14.9159*(x-0.2769)) - 0.0205*math.Tanh(30.4444*(x-0.6103))
	pos := -0.8090*y + 4.4875 - 0.0428*math.Tanh(18.5138*(y-0.5542)) -
		17.7326*math.Tanh(15.7890*(y-0.3117)) + 17.5842*math.Tanh(15.9308*(y-0.3120))
	return pos - neg
}

// daigle2013 is the 18650 cell of M. Daigle and C. Kulkarni, Electrochemistry-
// based battery modeling for prognostics, PHM Society 2013: a Redlich-Kister sum
// with the published parameters, at 292.1 K; charge is xn/0.6.
func daigle2013(z float64) float64 {
	ap := [...]float64{-31593.7, 0.106747, 24606.4, -78561.9, 13317.9, 307387, 84916.1,
		-1.07469e6, 2285.04, 990894, 283920, -161513, -469218}
	const kelvin, u0p, u0n, an0 = 292.1, 4.03, 0.01, 86.19
	z = math.Max(z, 1e-4)
	xn := 0.6 * z
	xp := 1 - xn
	pos := u0p + gasConst*kelvin/faradayC*math.Log((1-xp)/xp)
	s := 2*xp - 1
	for k, a := range ap {
		term := math.Pow(s, float64(k+1))
		if k > 0 {
			term -= 2 * xp * float64(k) * (1 - xp) * math.Pow(s, float64(k-1))
		}
		pos += a / faradayC * term
	}
	neg := u0n + gasConst*kelvin/faradayC*math.Log((1-xn)/xn) + an0/faradayC*(2*xn-1)
	return pos - neg
}

// bode1977 is a lead-acid cell against molality (mol/kg): H. Bode, Lead-Acid
// Batteries (1977), as used by V. Sulzer et al. 2019. Molality is taken linear in
// charge between the two ends given.
func bode1977(empty, full float64) func(float64) float64 {
	return func(z float64) float64 {
		l := math.Log10(empty + z*(full-empty))
		return 1.628 + 0.074*l + 0.033*l*l + 0.043*l*l*l + 0.022*l*l*l*l +
			0.294 + 0.074*l + 0.030*l*l + 0.031*l*l*l + 0.012*l*l*l*l
	}
}

// table interpolates a short published table read off at tableZ.
func table(v *[30]float64) func(float64) float64 {
	tableZ := [...]float64{0, .005, .01, .02, .03, .045, .06, .08, .1, .13, .16, .2, .25, .3, .35,
		.4, .45, .5, .55, .6, .65, .7, .75, .8, .85, .9, .94, .97, .985, 1}
	return func(z float64) float64 {
		i := 1
		for i < len(tableZ)-1 && z > tableZ[i] {
			i++
		}
		return v[i-1] + (z-tableZ[i-1])/(tableZ[i]-tableZ[i-1])*(v[i]-v[i-1])
	}
}

// ocvCurves gives the family of a chemistry.
func ocvCurves(ch Chemistry) []*curve {
	switch ch {
	case LFP:
		return []*curve{newCurve(table(prada2013())), newCurve(table(xing2014()))}
	case LeadAcid:
		// Acid of a charged cell 1.28..1.31 kg/l, of an empty one about 1.06..1.13
		// (common practice, no source): molality 5.8..6.6 and 1.0..2.1.
		return []*curve{newCurve(bode1977(0.5, 6.4)), newCurve(bode1977(0.8, 6.0)), newCurve(bode1977(1.4, 6.2))}
	default:
		c, d, k := newCurve(chen2020), newCurve(daigle2013), newCurve(table(kollmeyer2018()))
		return []*curve{c, d, k, blend(c, d), blend(d, k), blend(c, k)}
	}
}

// kollmeyer2018 is the NCR18650PF cell (NCA/graphite), measured C/20 discharge at
// 25 °C, 2.997 Ah: P. Kollmeyer, Panasonic 18650PF Li-ion Battery Data, Mendeley
// Data 2018, doi:10.17632/wykht8y7tg.1. Read off within 9 mV.
func kollmeyer2018() *[30]float64 {
	return &[30]float64{2.499, 2.822, 2.940, 3.077, 3.165, 3.242, 3.278, 3.307, 3.331, 3.374, 3.416, 3.461, 3.509, 3.545, 3.574,
		3.602, 3.631, 3.666, 3.712, 3.770, 3.818, 3.860, 3.901, 3.946, 4.001, 4.054, 4.086, 4.115, 4.137, 4.170}
}

// prada2013 is an A123 26650 LFP cell: window and sizes of E. Prada et al., J.
// Electrochem. Soc. 160 (2013) A616, iron phosphate potential of Afshar et al.
// 2017 (arXiv 1709.03970), graphite of chen2020. Read off within 5 mV above 3 %.
func prada2013() *[30]float64 {
	return &[30]float64{2.000, 2.152, 2.280, 2.482, 2.626, 2.771, 2.862, 2.938, 2.995, 3.081, 3.144, 3.174, 3.191, 3.216, 3.243,
		3.258, 3.264, 3.267, 3.268, 3.269, 3.272, 3.290, 3.309, 3.312, 3.313, 3.314, 3.315, 3.327, 3.382, 3.598}
}

// xing2014 is an A123 1.1 Ah LFP cell measured on a C/20 charge at 20 °C (CALCE;
// Y. Xing et al., Applied Energy 113 (2014) 106), lowered by 50 mV to the
// discharge branch: the hysteresis loop there is 40..60 mV wide.
func xing2014() *[30]float64 {
	v := [30]float64{2.587, 2.767, 2.854, 2.963, 3.036, 3.114, 3.171, 3.227, 3.247, 3.257, 3.269, 3.290, 3.309, 3.324, 3.333,
		3.336, 3.338, 3.339, 3.341, 3.343, 3.346, 3.353, 3.372, 3.378, 3.380, 3.385, 3.397, 3.434, 3.489, 3.600}
	for i := range v {
		v[i] -= 0.050
	}
	return &v
}

// blend is half of each: cathodes are often mixtures.
func blend(a, b *curve) *curve {
	c := new(curve)
	for i := range c {
		c[i] = 0.5 * (a[i] + b[i])
	}
	return c
}
