package simulated

import "math"

// circuit is the state of the pack and what hangs on it. It is a value: a
// forecast runs a copy of it ahead.
type circuit struct {
	cfg Config
	cl  cell
	ocv *[ocvPoints]float64 // of one cell, even steps of charge

	charge   float64 // ratio
	relaxedV float64 // across the slow resistance, V
	loadW    float64
	chargerW float64 // fed in at the terminals by a charger, W
	cut      bool    // converter locked out or protection open
	absent   bool    // no pack fitted
}

const ocvPoints = 2001

func tabulate(f func(float64) float64) *[ocvPoints]float64 {
	var t [ocvPoints]float64
	for i := range t {
		t[i] = f(float64(i) / (ocvPoints - 1))
	}
	return &t
}

func (c *circuit) openCircuitV() float64 {
	at := c.charge * (ocvPoints - 1)
	i := min(int(at), ocvPoints-2)
	f := at - float64(i)
	return float64(c.cfg.SeriesCells) * (c.ocv[i]*(1-f) + c.ocv[i+1]*f)
}

func (c *circuit) resistances() (series, relaxed float64) {
	series, relaxed = c.cl.resistances(c.charge, c.cfg.TempC)
	k := float64(c.cfg.SeriesCells) / c.cfg.CapacityAh
	return series * k, relaxed * k
}

// solve gives voltage at the pack's terminals and current, and cuts the load off
// where the converter or the pack would.
func (c *circuit) solve() (packV, packA float64) {
	if c.absent {
		return 0, 0
	}
	r0, _ := c.resistances()
	e := c.openCircuitV() - c.relaxedV
	if c.charge <= 0 && c.chargerW == 0 {
		c.cut = true
		return 0, 0 // the pack's protection has opened
	}
	for {
		w := -c.chargerW
		if !c.cut {
			w += c.cfg.drawW(c.loadW)
		}
		// The converter sits behind the shunt: (e − I·r)·I = w.
		r := r0 + c.cfg.ShuntOhm
		root := e*e - 4*r*w
		if root >= 0 {
			packA = (e - math.Sqrt(root)) / (2 * r)
			if e-packA*r >= c.cfg.LockoutV || c.cut {
				break
			}
		} else if c.cut {
			return e, 0
		}
		c.cut = true
	}
	if full := c.cl.fullV * float64(c.cfg.SeriesCells); packA < 0 && e-packA*r0 > full {
		packA = min(0, (e-full)/r0) // the charger holds its end voltage
	}
	if packA < 0 && c.charge >= 1 {
		packA = 0
	}
	return e - packA*r0, packA
}

// step lives dt seconds at the present load.
func (c *circuit) step(dt float64) {
	_, amps := c.solve()
	_, r1 := c.resistances()
	decay := math.Exp(-dt / relaxS)
	c.relaxedV = c.relaxedV*decay + amps*r1*(1-decay)
	c.charge = min(1, max(0, c.charge-amps*dt/3600/c.cfg.CapacityAh))
}

// atCutoff says whether the load is at or past the end.
func (c *circuit) atCutoff() bool {
	packV, _ := c.solve()
	return c.cut || packV <= c.cfg.CutoffV
}
