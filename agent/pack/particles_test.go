package pack

import (
	"math"
	"math/rand/v2"
	"testing"
)

// linear is a class with one parameter: each bin's voltage is the parameter times
// the bin's charge. Its posterior under normal noise has a closed form.
type linear struct{ *cloud }

func (l *linear) over(c *cloud) class { return &linear{c} }

func (l *linear) cloudOf() *cloud                      { return l.cloud }
func (l *linear) begin(float64, bool)                  {}
func (l *linear) seed(float64, bool, *Bin, *rand.Rand) {}
func (l *linear) clampPar()                            {}
func (l *linear) walk(int, *ahead) float64             { return 0 }
func (l *linear) about(w []float64) (float64, float64) { return 0, 0 }
func (l *linear) step(b *Bin, first bool) {
	for j, th := range l.par[0] {
		l.observe(j, b.V-th*b.Q, 0, linearSigma, 1, 1, first)
	}
}

const linearSigma = 0.3

// Known answer: prior N(0,1), y = th q + N(0, s²): the posterior is normal with
// precision 1 + sum q²/s² and mean (sum q y/s²)/precision (the Kalman filter for a
// constant state).
func TestCloudFindsTheKalmanAnswerInALinearCase(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	for _, truth := range []float64{-0.8, 0.1, 1.3} {
		l := &linear{newCloud(4000, offset)}
		for j := range l.n {
			l.par[0][j] = rng.NormFloat64()
		}
		l.fix(0)
		w := make([]float64, l.n)
		var bins []Bin
		prec, sum := 1.0, 0.0
		for k := range 30 {
			q := 0.1 + 0.05*float64(k)
			y := truth*q + linearSigma*rng.NormFloat64()
			bins = append(bins, Bin{Q: q, V: y, D: 0.01})
			l.step(&bins[k], k == 0)
			l = resampleNow(l, bins, 0, false, rng, w).(*linear)
			prec += q * q / (linearSigma * linearSigma)
			sum += q * y / (linearSigma * linearSigma)
		}
		l.weights(w)
		var m, v float64
		for j, x := range l.par[0] {
			m += w[j] * x
		}
		for j, x := range l.par[0] {
			v += w[j] * (x - m) * (x - m)
		}
		sd := 1 / math.Sqrt(prec)
		// The moves add 0.3 of the spread and ignore the prior's pull: the mean holds
		// to half a standard deviation, the spread to a third.
		near(t, "mean", m, sum/prec, 0.5*sd)
		near(t, "spread", math.Sqrt(v)/sd, 1, 0.34)
	}
}

// anchor is one scalar Kalman update. State: place x with variance sx², offset o with
// variance sv²; measured e = slope x + o. Gain: slope sx²/S and sv²/S.
func TestAnchorIsAKalmanUpdate(t *testing.T) {
	a := &ahead{load: load{rate: 1}, keep: 1}
	slope, sv, sx, e := -4.0, 0.02, 0.01, 0.05
	model := func(x float64) (float64, float64) { return 3.7 + slope*x, 0.1 }
	shift, off := anchor(a, e, 0.4, 0.01, sv, sx, model)
	s := slope*slope*sx*sx + sv*sv
	near(t, "shift", shift, e*slope*sx*sx/s, 1e-9)
	near(t, "offset", off, e*sv*sv/s, 1e-9)
	near(t, "together they explain the whole", slope*shift+off, e, 1e-9)
}

func TestQuantilesOfWeightedDraws(t *testing.T) {
	d := &draws{x: []float64{30, 10, 20}, w: []float64{1, 2, 1}}
	d.sort()
	near(t, "least", d.quantile(0.001), 10, 1e-9)
	near(t, "most", d.quantile(1), 30, 1e-9)
	near(t, "three quarters", d.quantile(0.75), 20, 1e-9)
}

func TestTemperKeepsMany(t *testing.T) {
	w := []float64{0.97, 0.01, 0.01, 0.01}
	temper(w, 2)
	var ss, sum float64
	for _, x := range w {
		ss += x * x
		sum += x
	}
	near(t, "sum", sum, 1, 1e-9)
	if 1/ss < 2 {
		t.Errorf("stands for %.2f equal weights, want at least 2", 1/ss)
	}
}
