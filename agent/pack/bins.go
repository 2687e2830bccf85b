package pack

import "math"

// Bin is the mean of the readings over a small step of charge, per cell and per
// label ampere-hour, so that packs of any size share one set of constants. It is
// exported because profiles and saved states are made of it.
type Bin struct {
	Q float64 `json:"q"`           // charge drawn since the first reading, parts of the label capacity
	V float64 `json:"v"`           // mean voltage, V per cell
	I float64 `json:"i"`           // mean current, multiples of label capacity per hour (C-rate)
	L float64 `json:"l"`           // current through a slowTau low pass, C-rate
	T float64 `json:"t"`           // mean temperature, °C; refTempC where unknown
	D float64 `json:"d"`           // width of the step, parts of the label capacity
	S float64 `json:"s,omitempty"` // deepest sag below the mean within the step, V per cell
}

const (
	refTempC = 25.0 // temperature assumed where there is no sensor
	slowTauS = 120  // s; time constant of the slow polarisation (ocv.md's pulse tests: 10 s and longer)

	binWidth       = 0.005 // parts of the label capacity
	pulsedBinWidth = 2.5   // times wider when the load pulses, so that a bin averages over whole pulses
	binMaxS        = 1800  // s; a bin is closed at the latest after this long
	firstBinS      = 60    // s; sooner for the first, so that there is an answer
	maxBins        = 240   // memory bound; beyond it the oldest half is merged in pairs
)

// polarising is the current that a bin's voltage drop answers to: part at once,
// part through the slow branch (R1/(R0+R1) = 0.38: R1 = 0.6 R0, tau 120 s).
func (b *Bin) polarising() float64 { return 0.62*b.I + 0.38*b.L }

// binner turns readings into bins. q in parts of label capacity.
type binner struct {
	Bins []Bin `json:"bins"`

	Q     float64 `json:"q"` // charge drawn so far
	Slow  float64 `json:"slow"`
	acc   Bin     // sums weighted by time
	accS  float64 // s in acc
	vMin  float64
	count int
}

// add takes one reading: dt seconds since the last one, at v volts per cell and
// rate c. It says whether a bin was closed.
func (b *binner) add(dt, v, c, tempC float64, pulsed bool) bool {
	k := math.Exp(-dt / slowTauS)
	b.Slow = k*b.Slow + (1-k)*c
	b.Q += c * dt / 3600
	if b.accS == 0 {
		b.acc, b.vMin, b.count = Bin{}, v, 0
	}
	b.count++
	b.accS += dt
	b.acc.Q += b.Q * dt
	b.acc.V += v * dt
	b.acc.I += c * dt
	b.acc.L += b.Slow * dt
	b.acc.T += tempC * dt
	b.acc.D += c * dt / 3600
	b.vMin = math.Min(b.vMin, v)
	w := binWidth
	if pulsed {
		w *= pulsedBinWidth
	}
	limit := float64(binMaxS)
	if len(b.Bins) == 0 {
		limit = firstBinS
	}
	if math.Abs(b.acc.D) < w && b.accS < limit {
		return false
	}
	return b.flush()
}

// flush closes the open bin, if it holds anything.
func (b *binner) flush() bool {
	if b.accS <= 0 {
		return false
	}
	s := 1 / b.accS
	n := Bin{Q: b.acc.Q * s, V: b.acc.V * s, I: b.acc.I * s, L: b.acc.L * s, T: b.acc.T * s, D: math.Abs(b.acc.D)}
	n.S = n.V - b.vMin
	b.accS = 0
	b.Bins = append(b.Bins, n)
	if len(b.Bins) > maxBins {
		b.Bins = mergeOldHalf(b.Bins)
	}
	return true
}

// mergeOldHalf merges the older half of the bins in pairs, weighted by charge.
func mergeOldHalf(bins []Bin) []Bin {
	half := len(bins) / 4 * 2
	out := bins[:0]
	for i := 0; i < half; i += 2 {
		out = append(out, mergeBins(&bins[i], &bins[i+1]))
	}
	return append(out, bins[half:]...)
}

// mergeBins is the mean of two bins, weighted by charge.
func mergeBins(a, c *Bin) Bin {
	wa, wc := a.D+1e-9, c.D+1e-9
	k := wa / (wa + wc)
	m := func(x, y float64) float64 { return y + k*(x-y) }
	return Bin{Q: m(a.Q, c.Q), V: m(a.V, c.V), I: m(a.I, c.I), L: m(a.L, c.L),
		T: m(a.T, c.T), D: a.D + c.D, S: math.Max(a.S, c.S)}
}
