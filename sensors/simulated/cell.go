package simulated

import "math"

// Chemistry is a kind of cell.
type Chemistry string

const (
	LiIon    Chemistry = "li-ion"
	LFP      Chemistry = "lfp"
	LeadAcid Chemistry = "lead-acid"
)

// cell is what the model knows of a chemistry. Resistances are of one cell of
// 1 Ah; a cell of n Ah has an nth of them.
type cell struct {
	ocv      func(chargeRatio float64) float64 // V
	fullV    float64                           // on charge, V: common practice, no source
	seriesR  float64                           // ohm·Ah at 25 °C, mid-charge
	relaxedR float64                           // ohm·Ah of the part that takes relaxS to build up
}

// relaxS is the time constant of the slow part, s: of the size that the pulse
// tests of the lithium-ion cell show; an assumption for the others.
const relaxS = 120

func (c Chemistry) cell() (cell, bool) {
	switch c {
	case LiIon:
		return cell{ocv: liIonOCV, fullV: 4.20, seriesR: 0.085, relaxedR: 0.050}, true
	case LFP:
		return cell{ocv: lfpOCV, fullV: 3.65, seriesR: 0.040, relaxedR: 0.030}, true
	case LeadAcid:
		return cell{ocv: leadAcidOCV, fullV: 2.40, seriesR: 0.030, relaxedR: 0.040}, true
	}
	return cell{}, false
}

// Shape of the resistances: the fast one grows threefold and the slow one
// ninefold towards empty, over a scale of 6 % of the charge; both double for
// every 18 °C below 25 °C.
func (c cell) resistances(chargeRatio, tempC float64) (series, relaxed float64) {
	empty := math.Exp(-chargeRatio / 0.06)
	cold := math.Exp2((25 - tempC) / 18)
	return c.seriesR * (1 + 2*empty) * cold, c.relaxedR * (1 + 8*empty) * cold
}

// liIonOCV is the Redlich-Kister expansion of Daigle and Kulkarni at 292.1 K.
func liIonOCV(z float64) float64 {
	const (
		faraday = 96487.0
		thermal = 8.3144621 * 292.1 / faraday // V
	)
	z = min(max(z, 1e-4), 1) // the logarithm ends at 0
	positive := [...]float64{
		-31593.7, 0.106747, 24606.4, -78561.9, 13317.9, 307387, 84916.1,
		-1.07469e6, 2285.04, 990894, 283920, -161513, -469218,
	}
	xn := 0.6 * z
	xp := 1 - xn
	u := 2*xp - 1
	sum := positive[0] * u
	for k := 1; k < len(positive); k++ {
		sum += positive[k] * (math.Pow(u, float64(k+1)) - 2*xp*float64(k)*(1-xp)*math.Pow(u, float64(k-1)))
	}
	vp := 4.03 + thermal*math.Log((1-xp)/xp) + sum/faraday
	vn := 0.01 + thermal*math.Log((1-xn)/xn) + 86.19*(2*xn-1)/faraday
	return vp - vn
}

// lfpOCV is iron phosphate minus graphite, both of Safari and Delacourt.
func lfpOCV(z float64) float64 {
	z = min(max(z, 0), 1)
	y := 0.916 + z*(0.045-0.916)
	x := 0.0085 + z*(0.78-0.0085)
	s := 1 - y
	phosphate := 3.4323 - 0.8428*math.Exp(-80.2493*math.Pow(s, 1.3198)) -
		3.2474e-6*math.Exp(20.2645*math.Pow(s, 3.8003)) + 3.2482e-6*math.Exp(20.2646*math.Pow(s, 3.7995))
	graphite := 0.6379 + 0.5416*math.Exp(-305.5309*x) + 0.044*math.Tanh(-(x-0.1958)/0.1088) -
		0.1978*math.Tanh((x-1.0571)/0.0854) - 0.6875*math.Tanh((x+0.0117)/0.0529) - 0.0175*math.Tanh((x-0.5692)/0.0875)
	return phosphate - graphite
}

// leadAcidOCV is gravity plus 0.845 V, and falls off a cliff over the last
// hundredths, where the acid in the plates is used up (an assumption).
func leadAcidOCV(z float64) float64 {
	z = min(max(z, 0), 1)
	return 1.12 + 0.16*z + 0.845 - 0.4*math.Exp(-z/0.015)
}
