package pack

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// Published: the mean of the least of n standard normals (order statistics, H. L.
// Harter, Biometrika 48 (1961) 151): n=2 -0.5642, 5 -1.1630, 10 -1.5388.
func TestWeakestOfManyFollowsTheOrderStatistics(t *testing.T) {
	for _, c := range []struct {
		n    int
		want float64
	}{{5, 1.1630}, {10, 1.5388}} {
		k := newCircuit(LiIon, c.n, 20000, rand.New(rand.NewPCG(1, 2)))
		// With every capacity at the label and all spreads alike, the shortfall over
		// the spread is the order statistic; here over the mean spread of the draw.
		for j := range k.n {
			k.par[cCap][j] = 1
		}
		k.drawWeakest(rand.New(rand.NewPCG(3, 4)))
		sum := 0.0
		for _, d := range k.par[k.weak] {
			sum += d / float64(k.n)
		}
		spread := matchedSpread * math.Exp(0.5*0.5/2) // mean of a log-normal
		near(t, "mean shortfall over the spread", sum/spread, c.want, 0.03)
	}
}

// seriesPack is the truth of the weakest-cell tests: cells of different capacity, each
// walked by itself.
func seriesPack(volts func(z float64) float64, ohm, qAh float64, share []float64, watts, cutV, cellV float64) time.Duration {
	n := float64(len(share))
	drawn := 0.0
	v := volts(1) * n
	for s := 0; ; s++ {
		amps := watts / v
		v = 0
		least := math.Inf(1)
		for _, k := range share {
			x := volts(1-drawn/(qAh*k)) - ohm*amps
			v += x
			least = math.Min(least, x)
		}
		if v <= cutV || least <= cellV {
			return time.Duration(s) * time.Second
		}
		drawn += amps / 3600
	}
}

// The closed form (mean cell, and an nth of the weakest's departure from the tangent)
// against cells walked one by one.
func TestWeakestCellAgainstCellsWalkedOneByOne(t *testing.T) {
	const q, ohm, watts = 5.0, 0.02, 40.0
	for _, c := range []struct {
		name  string
		share []float64
		cellV float64
	}{
		{"equal cells", []float64{1, 1, 1, 1, 1}, 0},
		{"one 5 % short, no board", []float64{0.95, 1.0125, 1.0125, 1.0125, 1.0125}, 0},
		{"one 5 % short, board at 2.8 V", []float64{0.95, 1.0125, 1.0125, 1.0125, 1.0125}, 2.8},
		{"one 12 % short, board at 2.8 V", []float64{0.88, 1.03, 1.03, 1.03, 1.03}, 2.8},
	} {
		k := newCircuit(LiIon, len(c.share), 1, rand.New(rand.NewPCG(1, 2)))
		for row := range k.par {
			k.par[row][0] = 0
		}
		k.par[cCap][0], k.par[cRes][0], k.par[cWidth][0], k.par[cStart][0] = 1, ohm*q, 1, 1
		k.par[cExchange][0] = float64(len(exchanges) - 1)
		k.par[k.weak][0] = 1/c.share[0] - 1 // of the charge drawn
		act := activation(watts/18/q, exchanges[len(exchanges)-1])
		crv := k.curves[0]
		truth := seriesPack(func(z float64) float64 { v, _ := crv.at(z); return v - act }, ohm, q, c.share, watts, 15, c.cellV)
		a := &ahead{tempC: refTempC, cutV: 3, cellV: c.cellV, load: load{rate: watts / 18 / q, power: watts / 5 / q}}
		got := k.walk(0, a)
		near(t, c.name+", s", got, truth.Seconds(), 0.01*truth.Seconds())
	}
}

func TestProtectionBoardEndsThePackSooner(t *testing.T) {
	run := tremblayLiIon(5, 5).discharge(40, 15, 20, rand.New(rand.NewPCG(5, 5)))
	left := func(cellV float64) Forecast {
		spec := toolPack()
		spec.CellCutoffV = cellV
		e := mustNew(t, spec, nil)
		feed(t, e, run[:len(run)*2/3])
		return e.Forecast()
	}
	none, low, high := left(0), left(2.5), left(3.2)
	if !(low.Expected <= none.Expected+time.Minute && high.Expected < none.Expected) {
		t.Errorf("expected without a board %v, with one at 2.5 V %v, at 3.2 V %v", none.Expected, low.Expected, high.Expected)
	}
	if high.Low > none.Low {
		t.Errorf("low without a board %v, with one at 3.2 V %v", none.Low, high.Low)
	}
	spec := toolPack()
	if spec.CellCutoffV = 4.3; spec.Validate() == nil {
		t.Error("a cell limit above full was taken")
	}
}
