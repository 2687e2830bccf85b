package pack

import "math"

// What the load is expected to do until the end, from this run and earlier ones.

// outlook is the load expected and how far it may be off.
type outlook struct {
	load
	spread float64 // standard deviation of the log of the mean power
	prior  float64 // weight of earlier runs in it, 0..1
}

const (
	sameOpening = 0.20 // log of power or current; how far an opening may differ from an earlier one's
	runSpread   = 0.10 // log of power; least difference between two runs of one use
	loneSpread  = 0.30 // the same, where only one earlier run is known
	loadBlocks  = 8
)

// expect puts what earlier runs show to what the present one does. A load that
// holds still and opened as an earlier run did is taken to go on as that one: a run
// that opens with a burst will leave it. A pulsing load has a mean that wanders; how
// far is seen from blocks of the run so far, and the earlier runs' means are a prior.
func (r *recorder) expect(l load, runs []Run) outlook {
	o := outlook{load: l}
	var ended []*Run
	for i := range runs {
		if runs[i].Ended && runs[i].Pulsed == l.pulsed && runs[i].Power == !l.constantCurrent {
			ended = append(ended, &runs[i])
		}
	}
	if !(l.power > 0) {
		return o
	}
	if !l.pulsed {
		if n := len(ended); n > 0 {
			if x, off, ok := r.goesOn(ended[n-1]); ok {
				now := l.power
				if l.constantCurrent {
					now = l.rate
				}
				o.prior = math.Exp(-off * off / (sameOpening * sameOpening))
				o.shift(o.prior * math.Log(x/now))
			}
		}
		return o
	}
	v := r.wander()
	if n := len(ended); n > 0 {
		m, s := math.Log(ended[n-1].meanPower()), loneSpread
		if n > 1 {
			d := m - math.Log(ended[n-2].meanPower())
			m, s = m-0.5*d, math.Max(math.Abs(d), runSpread)
		}
		d := m - math.Log(l.power)
		s = math.Sqrt(math.Max(s*s, d*d-v)) // a prior that is too far off is wider than it says
		o.prior = v / (v + s*s)
		o.shift(o.prior * d)
		v *= s * s / (v + s*s)
	}
	o.spread = math.Min(math.Sqrt(v), maxLoadSpread)
	return o
}

const maxLoadSpread = 0.5

// shift changes the power by a factor of exp(d), and the rate with it.
func (o *outlook) shift(d float64) {
	k := math.Exp(math.Min(math.Max(d, -2), 2))
	o.rate *= k
	o.power *= k
}

// wander is the variance of the log of the mean power of a time as long as the run
// so far, told from loadBlocks blocks of it: a fourth of the blocks' variance for
// the mean of the past and that of the future, were the blocks independent.
func (t *tracker) wander() float64 {
	var total float64
	for _, s := range t.Slots {
		total += s.S
	}
	var sum, secs [loadBlocks]float64
	var at float64
	for _, s := range t.Slots {
		k := min(int((at+0.5*s.S)/total*loadBlocks), loadBlocks-1)
		sum[k], secs[k] = sum[k]+s.P, secs[k]+s.S
		at += s.S
	}
	var n, m, q float64
	for k := range sum {
		if secs[k] > 0 && sum[k] > 0 {
			x := math.Log(sum[k] / secs[k])
			n, m, q = n+1, m+x, q+x*x
		}
	}
	if n < 3 {
		return maxLoadSpread * maxLoadSpread
	}
	return math.Max(q/n-m*m/n/n, 0) * 2 / loadBlocks
}

// goesOn gives the mean power (current, where the run held current) of an earlier run
// from the time on at which the present one stands, and how far the present one has
// been off that run: the mean log, by charge, outside the range the earlier run had
// at about that time. Either may have begun a reading or two sooner, and a reading may
// be the mean of before and after a step, hence the range.
func (r *recorder) goesOn(old *Run) (level, off float64, ok bool) {
	if !r.Rested || !old.Rested {
		return 0, 0, false // the load was there before us: nobody knows since when
	}
	of := func(b *Bin) float64 {
		if old.Power {
			return math.Max(b.I*b.V, 1e-6)
		}
		return math.Max(b.I, 1e-6)
	}
	jitter := math.Max(2*r.StepS, 5)
	first, begin := 0, 0.0 // the first bin of old that matters, and when it began
	var t, n float64
	for i := range r.Bins {
		b := &r.Bins[i]
		for first < len(old.Bins)-1 && begin+old.Bins[first].seconds() < t-jitter {
			begin += old.Bins[first].seconds()
			first++
		}
		lo, hi, at := math.Inf(1), 1e-6, begin
		for k := first; k < len(old.Bins) && (at <= t+b.seconds()+jitter || k == first); k++ {
			lo, hi = math.Min(lo, of(&old.Bins[k])), math.Max(hi, of(&old.Bins[k]))
			at += old.Bins[k].seconds()
		}
		if t < jitter {
			lo = 0 // before the load came
		}
		x := of(b)
		t += b.seconds()
		off += b.D * math.Log(math.Max(x/hi, 1)*math.Max(lo/x, 1))
		n += b.D
	}
	var e, s, at float64
	for k := range old.Bins {
		b := &old.Bins[k]
		at += b.seconds()
		if part := math.Min(at-t, b.seconds()); part > 0 {
			e, s = e+part*of(b), s+part
		}
	}
	if s <= 0 || n <= 0 {
		return 0, 0, false
	}
	return e / s, off / n, true
}

// seconds is how long the bin lasted.
func (b *Bin) seconds() float64 { return b.D / math.Max(math.Abs(b.I), 1e-6) * 3600 }

// meanPower is the run's mean power by time, C-rate times V.
func (r *Run) meanPower() float64 {
	var e, s float64
	for i := range r.Bins {
		b := &r.Bins[i]
		e, s = e+b.D*3600*b.V, s+b.seconds()
	}
	return math.Max(e/math.Max(s, 1e-9), 1e-6)
}
