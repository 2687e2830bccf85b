package agent

import (
	"math"

	"candlemark/agent/pack"
)

// The truth of the fault test. It is built from electrochemistry and shares neither
// structure nor code nor constants with the estimator, which knows an open-circuit
// curve over charge with a resistance behind it.

// cell is one cell: its voltage at a current, and its life of dt seconds at it.
type cell interface {
	volts(amps float64) float64
	live(amps, dt float64)
}

// particle is one electrode as a single sphere: its mean stoichiometry, and the mean
// gradient under the surface.
//
//	V. R. Subramanian, V. D. Diwakar, D. Tapriyal, Efficient macro-micro scale coupled
//	modeling of batteries, J. Electrochem. Soc. 152 (2005) A2002 (parabolic profile,
//	higher order; from memory)
type particle struct {
	mean, grad float64
	tauS       float64 // radius squared over diffusivity, s
}

// flow is the change of the mean stoichiometry a second.
func (p *particle) live(flow, dt float64) {
	p.mean += flow * dt
	end := 7.5 * flow * p.tauS / 30
	p.grad = end + (p.grad-end)*math.Exp(-30*dt/p.tauS)
}

func (p *particle) surface(flow float64) float64 {
	return math.Min(math.Max(p.mean+8.0/35*p.grad+flow*p.tauS/105, 1e-4), 1-1e-4)
}

// lithiumCell is a single-particle cell (S. G. Marquis et al., J. Electrochem. Soc.
// 166 (2019) A3693): diffusion in one particle an electrode and Butler-Volmer
// kinetics. Diffusivities 3.9e-14 and 1e-13 m²/s in particles of 10 µm, exchange
// currents of about 6 and 0.3 C-rate at half filling, activation energies 43, 19, 37
// and 40 kJ/mol, as published there.
type lithiumCell struct {
	qAh, ohm float64 // ohm is the ohmic part at the cell's temperature
	kelvin   float64
	neg, pos particle
	dn, dp   float64 // change of stoichiometry from full to empty
	kn, kp   float64 // exchange currents, C-rate at unit sqrt(x(1-x))
	un, up   func(x float64) float64
	loopV    float64 // half the hysteresis loop, V; 0 without
	loopQ    float64 // charge in which it is crossed, parts of the capacity
	loop     float64 // -1 (discharge branch) to 1
}

func arrhenius(energy, kelvin float64) float64 {
	return math.Exp(energy / 8.314 * (1/298.15 - 1/kelvin))
}

// graphiteMohtat and nickelMohtat: P. Mohtat et al., J. Electrochem. Soc. 167 (2020)
// 110561, the UMBL pouch cell (NMC532 against graphite).
func graphiteMohtat(x float64) float64 {
	return 0.063 + 0.8*math.Exp(-75*(x+0.001)) - 0.0120*math.Tanh((x-0.127)/0.016) - 0.0118*math.Tanh((x-0.155)/0.016) -
		0.0035*math.Tanh((x-0.220)/0.020) - 0.0095*math.Tanh((x-0.190)/0.013) - 0.0145*math.Tanh((x-0.490)/0.020) - 0.0800*math.Tanh((x-1.030)/0.055)
}

func nickelMohtat(y float64) float64 {
	return 4.3452 + y*(-1.6518+y*(1.6225+y*(-2.0843+y*(3.5146-2.2166*y)))) - 0.5623e-4*math.Exp(109.451*y-100.006)
}

// graphiteSafari and phosphateSafari: M. Safari and C. Delacourt, J. Electrochem.
// Soc. 158 (2011) A562, table I.
func graphiteSafari(x float64) float64 {
	return 0.6379 + 0.5416*math.Exp(-305.5309*x) - 0.044*math.Tanh((x-0.1958)/0.1088) -
		0.1978*math.Tanh((x-1.0571)/0.0854) - 0.6875*math.Tanh((x+0.0117)/0.0529) - 0.0175*math.Tanh((x-0.5692)/0.0875)
}

func phosphateSafari(y float64) float64 {
	return 3.4323 - 0.8428*math.Exp(-80.2493*math.Pow(1-y, 1.3198)) -
		3.2474e-6*math.Exp(20.2645*math.Pow(1-y, 3.8003)) + 3.2482e-6*math.Exp(20.2646*math.Pow(1-y, 3.7995))
}

// newLithiumCell makes a rested cell of qAh at a state of charge.
func newLithiumCell(ch pack.Chemistry, qAh, ohm, tempC, charge, slow float64) *lithiumCell {
	c := &lithiumCell{qAh: qAh, kelvin: 273.15 + tempC, un: graphiteMohtat, up: nickelMohtat}
	x0, x1, y0, y1 := 0.0017, 0.8322, 0.8907, 0.0335
	if ch == pack.LFP {
		c.un, c.up, c.loopV, c.loopQ = graphiteSafari, phosphateSafari, 0.012, 0.03
		x0, x1, y0, y1 = 0.0085, 0.78, 0.916, 0.045 // M. Schimpe et al. 2018
	}
	c.dn, c.dp = x0-x1, y0-y1
	c.neg = particle{mean: x1 + (1-charge)*c.dn, tauS: slow * 2564 / arrhenius(42770, c.kelvin)}
	c.pos = particle{mean: y1 + (1-charge)*c.dp, tauS: slow * 1000 / arrhenius(18550, c.kelvin)}
	c.kn, c.kp = 12*arrhenius(37480, c.kelvin), 0.6*arrhenius(39570, c.kelvin)
	c.ohm = ohm / arrhenius(25000, c.kelvin)
	c.loop = 1
	return c
}

func (c *lithiumCell) volts(amps float64) float64 {
	rate := amps / c.qAh
	x, y := c.neg.surface(c.dn*rate/3600), c.pos.surface(c.dp*rate/3600)
	thermal := 2 * 8.314 * c.kelvin / 96485
	eta := thermal * (math.Asinh(rate/(2*c.kn*math.Sqrt(x*(1-x)))) + math.Asinh(rate/(2*c.kp*math.Sqrt(y*(1-y)))))
	return math.Max(c.up(y)-c.un(x)-eta-c.ohm*amps+c.loopV*c.loop, 0)
}

func (c *lithiumCell) live(amps, dt float64) {
	rate := amps / c.qAh
	c.neg.live(c.dn*rate/3600, dt)
	c.pos.live(c.dp*rate/3600, dt)
	if c.loopQ > 0 {
		c.loop = -1 + (c.loop+1)*math.Exp(-rate*dt/3600/c.loopQ)
	}
}

// acidCell is a cell of a lead-acid battery after M. Ceraolo, New dynamical models of
// lead-acid batteries, IEEE Trans. Power Systems 15 (2000) 1184 (form and typical
// constants from memory): open voltage linear in charge, capacity that depends on
// current and temperature, and a polarisation that goes as the logarithm of what is
// left; to this comes the acid that the pores run out of, 2RT/F ln(left) by Nernst.
type acidCell struct {
	qAh, ohm, polarise, tempC float64
	drawnAh, slowA            float64
}

// capacity answers current, at 25 °C about as Peukert's law with an exponent of 1.2
// (checks.md D18), and temperature, within 2 % of the factors of IEEE 485 table 1
// (checks.md D20, from memory).
func (c *acidCell) capacity() float64 {
	const k = 1.18
	cold := math.Pow((1+math.Min(c.tempC, 40)/40)/(1+25.0/40), 0.71)
	return k * c.qAh * cold / (1 + (k-1)*math.Pow(20*math.Max(c.slowA, 0)/c.qAh, 0.75))
}

func (c *acidCell) volts(amps float64) float64 {
	soc := 1 - c.drawnAh/(1.18*c.qAh)
	left := 1 - c.drawnAh/c.capacity()
	if left <= 0 {
		return 0
	}
	return math.Max(2.135-0.58e-3*(273+c.tempC)*(1-soc)-c.ohm*(1.3-0.3*soc)*amps+(c.polarise*amps+2*8.314/96485*(273+c.tempC))*math.Log(left), 0)
}

func (c *acidCell) live(amps, dt float64) {
	c.drawnAh += amps * dt / 3600
	c.slowA += (amps - c.slowA) * (1 - math.Exp(-dt/5000))
}

// battery is cells in series.
type battery []cell

func (b battery) volts(amps float64) (v float64) {
	for _, c := range b {
		v += c.volts(amps)
	}
	return v
}

// step feeds a constant power for dt seconds; ok is false where it cannot.
func (b battery) step(watts, dt float64) (v, amps float64, ok bool) {
	v = b.volts(0)
	for range 12 {
		amps = watts / math.Max(v, 0.1)
		v += 0.7 * (b.volts(amps) - v)
	}
	for _, c := range b {
		c.live(amps, dt)
	}
	return v, amps, math.Abs(v*amps-watts) < 0.02*watts
}
