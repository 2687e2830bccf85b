package quality

import (
	"errors"
	"math"
)

// EModel holds the inputs of ITU-T G.107 under the recommendation's own names.
// DefaultEModel gives its defaults; a zero value means nothing useful.
type EModel struct {
	SLR, RLR   float64 // dB, send and receive loudness ratings
	STMR, LSTR float64 // dB, sidetone masking and listener sidetone ratings
	Ds, Dr     float64 // D-values of the telephones
	TELR, WEPL float64 // dB, talker echo loudness rating, weighted echo path loss
	T          float64 // ms, mean one-way delay of the echo path
	Tr         float64 // ms, round-trip delay in a four-wire loop
	Ta         float64 // ms, absolute one-way delay, mouth to ear
	QDU        float64 // quantizing distortion units
	Ie, Bpl    float64 // equipment impairment, packet-loss robustness
	Ppl        float64 // packet loss in per cent, 0..100
	BurstR     float64 // burst ratio, 1 for independent losses
	Nc, Nfor   float64 // dBm0p, dBmp: circuit noise, noise floor
	Ps, Pr     float64 // dB(A), room noise at the sending and receiving side
	A          float64 // advantage factor
}

// DefaultEModel has the default of every input (ITU-T G.107 table 2; from memory).
func DefaultEModel() EModel {
	return EModel{
		SLR: 8, RLR: 2, STMR: 15, LSTR: 18, Ds: 3, Dr: 3, TELR: 65, WEPL: 110,
		QDU: 1, Bpl: 4.3, BurstR: 1, Nc: -70, Nfor: -64, Ps: 35, Pr: 35,
	}
}

// Rating is what the E-model makes of its inputs.
type Rating struct {
	R   float64 // transmission rating, 0..100 for sensible inputs
	MOS float64 // 1..4.5, estimated mean opinion score in conversation

	// The parts: R = Ro - Is - (Idte + Idle + Idd) - IeEff + A.
	No, Ro, Is, Idte, Idle, Idd, IeEff float64
}

// Rate evaluates the model. It refuses what is not a number, negative delays, and
// loss outside 0..100 %.
func (e EModel) Rate() (Rating, error) {
	for _, v := range []float64{e.SLR, e.RLR, e.STMR, e.LSTR, e.Ds, e.Dr, e.TELR, e.WEPL, e.T, e.Tr, e.Ta, e.QDU, e.Ie, e.Bpl, e.Ppl, e.BurstR, e.Nc, e.Nfor, e.Ps, e.Pr, e.A} {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return Rating{}, errors.New("e-model: an input is not a finite number")
		}
	}
	switch {
	case e.T < 0 || e.Tr < 0 || e.Ta < 0:
		return Rating{}, errors.New("e-model: a delay is negative")
	case e.Ppl < 0 || e.Ppl > 100:
		return Rating{}, errors.New("e-model: packet loss is not from 0 to 100 %")
	case e.BurstR <= 0 || e.Bpl <= 0 || e.QDU < 1:
		return Rating{}, errors.New("e-model: BurstR and Bpl must be above 0, QDU 1 or more")
	}
	r := Rating{No: e.noise()}
	r.Ro = 15 - 1.5*(e.SLR+r.No)
	ist := e.sidetone()
	r.Is = e.loudness(r.No) + ist + e.quantizing(r.Ro)
	r.Idte = e.talkerEcho(r.No, ist)
	r.Idle = e.listenerEcho(r.Ro)
	r.Idd = absoluteDelay(e.Ta)
	r.IeEff = e.Ie + (95-e.Ie)*e.Ppl/(e.Ppl/e.BurstR+e.Bpl)
	r.R = r.Ro - r.Is - r.Idte - r.Idle - r.Idd - r.IeEff + e.A
	r.MOS = MOS(r.R)
	return r, nil
}

// MOS is the estimated mean opinion score in conversation (ITU-T G.107 annex B).
// The cubic dips below 1 for R under about 6.5, which no opinion can: it is held at 1.
// The coefficient is 7 millionths; read as 7.10 millionths it is wrong.
func MOS(r float64) float64 {
	switch {
	case !(r > 0): // also refuses NaN
		return 1
	case r >= 100:
		return 4.5
	}
	return max(1, 1+0.035*r+r*(r-60)*(100-r)*7e-6)
}

func power(dB float64) float64 { return math.Pow(10, dB/10) }
func dB(power float64) float64 { return 10 * math.Log10(power) }

// noise is No, the power sum of circuit and room noise at the 0 dBr point, dBm0p.
func (e EModel) noise() float64 {
	olr := e.SLR + e.RLR
	nos := e.Ps - e.SLR - e.Ds - 100 + 0.004*math.Pow(e.Ps-olr-e.Ds-14, 2)
	pre := e.Pr + dB(1+power(10-e.LSTR))
	nor := e.RLR - 121 + pre + 0.008*math.Pow(pre-35, 2)
	nfo := e.Nfor + e.RLR
	return dB(power(e.Nc) + power(nos) + power(nor) + power(nfo))
}

// loudness is Iolr, for a connection that is too loud.
func (e EModel) loudness(no float64) float64 {
	x := (e.SLR + e.RLR + 0.2*(64+no-e.RLR)) / 8
	return 20 * (math.Pow(1+math.Pow(x, 8), 1.0/8) - x)
}

// sidetone is Ist, for sidetone that is not optimal.
func (e EModel) sidetone() float64 {
	stmro := -dB(power(-e.STMR) + math.Exp(-e.T/4)*power(-e.TELR))
	term := func(shift, scale, n float64) float64 {
		return math.Pow(1+math.Pow((stmro+shift)/scale, n), 1/n)
	}
	return 12*term(-13, 6, 8) - 28*term(1, 19.4, 35) - 13*term(-3, 33, 13) + 29
}

// quantizing is Iq, for quantizing distortion.
func (e EModel) quantizing(ro float64) float64 {
	q := 37 - 15*math.Log10(e.QDU)
	g := 1.07 + 0.258*q + 0.0602*q*q
	y := (ro-100)/15 + 46/8.4 - g/9
	z := 46.0/30 - g/40
	return 15 * math.Log10(1+math.Pow(10, y)+math.Pow(10, z))
}

// talkerEcho is Idte. An echo within 1 ms is sidetone.
func (e EModel) talkerEcho(no, ist float64) float64 {
	if e.T < 1 {
		return 0
	}
	terv := e.TELR - 40*math.Log10((1+e.T/10)/(1+e.T/150)) + 6*math.Exp(-0.3*e.T*e.T)
	if e.STMR < 9 {
		terv += ist / 2
	}
	half := (-1.5*(no-e.RLR) - (80 + 2.5*(terv-14))) / 2
	idte := (half + math.Sqrt(half*half+100) - 1) * (1 - math.Exp(-e.T))
	if e.STMR > 20 {
		return math.Hypot(idte, ist)
	}
	return idte
}

// listenerEcho is Idle.
func (e EModel) listenerEcho(ro float64) float64 {
	half := (ro - 10.5*(e.WEPL+7)*math.Pow(e.Tr+1, -0.25)) / 2
	return half + math.Sqrt(half*half+169)
}

// absoluteDelay is Idd of a one-way delay in milliseconds, default sensitivity
// class: 0 up to 100 ms, for too long a delay even with perfect echo control.
func absoluteDelay(ms float64) float64 {
	if ms <= 100 {
		return 0
	}
	x := math.Log2(ms / 100)
	return 25 * (math.Pow(1+math.Pow(x, 6), 1.0/6) - 3*math.Pow(1+math.Pow(x/3, 6), 1.0/6) + 2)
}
