package pack

import (
	"math"
	"math/rand/v2"
)

// Hysteresis of an lfp cell: after a charge its open-circuit voltage lies on an upper
// branch, and on discharge it slides to the lower one. The one-state model
// (G. L. Plett, Extended Kalman filtering for battery management systems of
// LiPB-based HEV battery packs, part 2, J. Power Sources 134 (2004) 262),
//
//	dh/dq = -(h + 1)/slide on discharge, v = lower(z) + half (1 + h),
//
// has the closed form h = -1 + (h0 + 1) exp(-q/slide), so that the state costs a
// hypothesis no memory: it follows from h0 and the charge drawn. The curves of ocv.go
// are the lower branch.
const (
	halfLoopV = 0.025 // half the loop, V: A123 cell at C/20, 40 to 60 mV from branch to branch (CALCE; Y. Xing et al. 2014)
	slideQ    = 0.03  // charge over which the loop is crossed, parts of the capacity: a few per cent (from memory, of published fits)
)

// drawLoop draws loop and slide of every hypothesis, and takes it to start charged.
func (c *circuit) drawLoop(rng *rand.Rand) {
	half, h, slide := c.par[c.loop], c.par[c.loop+1], c.par[c.loop+2]
	for j := range c.n {
		half[j] = halfLoopV * math.Exp(0.3*rng.NormFloat64())
		slide[j] = slideQ * math.Exp(0.5*rng.NormFloat64())
		h[j] = 1
	}
}

// drawHysteresis draws h at the first reading: 1 after a full charge. A pack that is
// not full was charged, or discharged, or both; nobody knows.
func (c *circuit) drawHysteresis(j int, full bool, rng *rand.Rand) {
	switch {
	case c.loop == 0:
	case full:
		c.par[c.loop+1][j] = 1
	default:
		c.par[c.loop+1][j] = 2*rng.Float64() - 1
	}
}

// lift is by how much hypothesis j lies above its lower branch once depth (parts of
// its capacity) was drawn, V.
func (c *circuit) lift(j int, depth float64) float64 {
	if c.loop == 0 {
		return 0
	}
	return c.par[c.loop][j] * (1 + c.par[c.loop+1][j]) * quickExp(-max(depth, 0)/c.par[c.loop+2][j])
}
