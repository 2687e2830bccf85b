package pack

import "math"

// What the load does, and what it is taken to go on doing.

const (
	jumpShare  = 0.25 // a change of current by this share of the peak is a load step
	sameLoad   = 0.12 // power within this share belongs to the present load
	slotMinS   = 10   // s
	maxSlots   = 96
	loadMinS   = 600 // s; the mean power is taken over at least this long where the load pulses
	pulseEvery = 300 // s; steps more frequent than this make a pulsed load
)

// slot sums a stretch of the load.
type slot struct {
	S    float64 `json:"s"` // s
	I    float64 `json:"i"` // C-rate times s
	P    float64 `json:"p"` // C-rate times V times s
	Peak float64 `json:"k"` // highest C-rate
}

// spread holds the moments that tell constant current from constant power.
type spread struct {
	N, I, II, P, PP float64
}

// tracker follows the load.
type tracker struct {
	Slots  []slot  `json:"slots"`
	Peak   float64 `json:"peak"`   // recent highest rate
	JumpHz float64 `json:"jumpHz"` // load steps a second, slow mean
	Jumps  float64 `json:"jumps"`  // load steps seen, forgotten as JumpHz is
	SinceS float64 `json:"sinceS"` // s since the last load step
	Mom    spread  `json:"mom"`
	Steps  stepper `json:"steps"`
	last   float64
	lastV  float64
	seen   bool
}

// stepper estimates the resistance that answers at once, from load steps.
type stepper struct {
	II float64 `json:"ii"` // sum of squared current steps, C-rate squared
	IV float64 `json:"iv"` // sum of current step times voltage step
	N  int     `json:"n"`
}

// ohm gives the resistance in V per cell and C-rate.
func (s stepper) ohm() (float64, bool) {
	if s.N < 3 || s.II <= 0 {
		return 0, false
	}
	return math.Max(0, -s.IV/s.II), true
}

const jumpTauS = 900

func (t *tracker) add(dt, v, c float64) {
	if c > t.Peak {
		t.Peak = c
	} else {
		t.Peak += (c - t.Peak) * (1 - math.Exp(-dt/3600))
	}
	k := math.Exp(-dt / jumpTauS)
	t.JumpHz *= k
	t.Jumps *= k
	t.SinceS += dt
	if t.seen && math.Abs(c-t.last) > jumpShare*math.Max(t.Peak, 0.02) {
		t.JumpHz += 1.0 / jumpTauS
		t.Jumps++
		t.SinceS = 0
		if dt <= 60 {
			di, dv := c-t.last, v-t.lastV
			t.Steps.II = 0.97*t.Steps.II + di*di
			t.Steps.IV = 0.97*t.Steps.IV + di*dv
			t.Steps.N++
		}
		if !t.pulsed() {
			t.Mom = spread{}
		}
	}
	t.last, t.lastV, t.seen = c, v, true
	if c > 0.5*t.Peak && c > 0 && v > 0 {
		li, lp := math.Log(c), math.Log(c*v)
		f := math.Exp(-dt / 7200)
		m := &t.Mom
		m.N, m.I, m.II, m.P, m.PP = m.N*f+1, m.I*f+li, m.II*f+li*li, m.P*f+lp, m.PP*f+lp*lp
	}
	n := len(t.Slots)
	if n == 0 || t.Slots[n-1].S >= slotMinS || t.SinceS == 0 {
		t.Slots = append(t.Slots, slot{})
		n++
	}
	s := &t.Slots[n-1]
	s.S += dt
	s.I += c * dt
	s.P += c * v * dt
	s.Peak = math.Max(s.Peak, c)
	if n > maxSlots {
		out := t.Slots[:0]
		half := n / 4 * 2
		for i := 0; i < half; i += 2 {
			a, b := t.Slots[i], t.Slots[i+1]
			out = append(out, slot{a.S + b.S, a.I + b.I, a.P + b.P, math.Max(a.Peak, b.Peak)})
		}
		t.Slots = append(out, t.Slots[half:]...)
	}
}

// pulsed says whether load steps keep coming.
func (t *tracker) pulsed() bool { return t.Jumps >= 3 && t.JumpHz > 1.0/pulseEvery }

// load is the law the forecast assumes: rates per label ampere-hour, volts per cell.
type load struct {
	constantCurrent bool
	rate            float64 // mean C-rate now
	power           float64 // mean C-rate times V
	peak            float64 // highest C-rate of the recent past
	pulsed          bool
}

// law gives the load to be assumed from here on; elapsedS is the time since the start.
func (t *tracker) law(elapsedS float64) load {
	l := load{pulsed: t.pulsed()}
	window := math.Max(loadMinS, 0.3*elapsedS)
	if l.pulsed {
		window = math.Max(loadMinS, elapsedS)
	}
	var s, i, p, ref float64
	for k := len(t.Slots) - 1; k >= 0 && s < window; k-- {
		x := t.Slots[k]
		if x.S <= 0 {
			continue
		}
		if !l.pulsed {
			if s < 60 {
				ref = (p + x.P) / (s + x.S)
			}
			if s > 0 && math.Abs(x.P/x.S-ref) > sameLoad*math.Abs(ref) || s > 0 && s >= t.SinceS+slotMinS {
				break
			}
		}
		s, i, p = s+x.S, i+x.I, p+x.P
		l.peak = math.Max(l.peak, x.Peak)
	}
	if s > 0 {
		l.rate, l.power = i/s, p/s
	}
	m := t.Mom
	if m.N >= 3 {
		sd := func(x, xx float64) float64 { return math.Sqrt(math.Max(0, xx/m.N-x*x/m.N/m.N)) }
		a, b := sd(m.I, m.II), sd(m.P, m.PP)
		l.constantCurrent = a < 0.02 && a < b || a < 0.5*b
	}
	return l
}
