package plan

import "math"

// Resistivity and temperature coefficient of annealed copper at 20 °C: 1/58
// ohm mm²/m and 0.00393/K (IEC 60028). EC aluminium is 61 % IACS, 35.38 MS/m
// (ASTM B566 context); its 0.00403/K is from memory.
const (
	copperMS    = 58.0
	aluminiumMS = 0.61 * copperMS
	copperTC    = 0.00393
	aluminiumTC = 0.00403
)

// strandedLay is how much longer the wires of a stranded AWG conductor are than
// the conductor (ASTM B8: 2 %, from memory); patchLay is what TIA-568 allows a
// stranded patch cord over solid cable (20 %, from memory).
const (
	strandedLay = 1.02
	patchLay    = 1.20
)

// AWGDiameterMM is the diameter of a solid conductor by ASTM B258:
// 0.127 mm x 92^((36-n)/39). 1/0 is n = 0, 4/0 is n = -3.
func AWGDiameterMM(n int) float64 { return 0.127 * math.Pow(92, float64(36-n)/39) }

// AWGAreaMM2 is the area of a solid conductor of that gauge.
func AWGAreaMM2(n int) float64 {
	d := AWGDiameterMM(n)
	return math.Pi / 4 * d * d
}

// Conductor is one run of cable, out and back.
type Conductor struct {
	Name string
	// AreaMM2 is the area of one conductor; GaugeKnown says that it came from AWG,
	// whose areas are geometric. A metric size is nominal: its resistance is IEC
	// 60228's where that lists it.
	AreaMM2    float64
	AWG        int
	GaugeKnown bool
	Stranded   bool
	// CopperShare is the share of copper by volume: 1 is solid copper, 0.15 a common
	// copper-clad aluminium, 0 aluminium.
	CopperShare float64
	LengthM     float64 // one way
	TempC       float64 // of the conductor
	Pairs       int     // conductors in parallel each way, at least 1
	Network     bool    // twisted pairs of a network cable
	Outdoor     bool
	RatingA     float64 // what its maker allows each conductor, A; 0 takes the table
}

// OhmPerKM is the resistance of one conductor at its temperature, ohm/km.
func (c Conductor) OhmPerKM() float64 {
	cu, al := c.CopperShare*copperMS, (1-c.CopperShare)*aluminiumMS
	at20, ok := 0.0, false
	if !c.GaugeKnown {
		if at20, ok = iec60228(c.AreaMM2, c.Stranded); ok {
			at20 *= copperMS / (cu + al)
		}
	}
	if !ok {
		at20 = 1000 / ((cu + al) * c.AreaMM2)
		switch {
		case c.Stranded && c.Network:
			at20 *= patchLay
		case c.Stranded:
			at20 *= strandedLay
		}
	}
	tc := (cu*copperTC + al*aluminiumTC) / (cu + al)
	return at20 * (1 + tc*(c.TempC-20))
}

// LoopOhm is the resistance out and back, with the paralleled conductors.
func (c Conductor) LoopOhm() float64 {
	return 2 * c.LengthM / 1000 * c.OhmPerKM() / float64(max(c.Pairs, 1))
}

// CopperClad says whether the conductor is anything but copper.
func (c Conductor) CopperClad() bool { return c.CopperShare < 0.995 }

// metric is one row of IEC 60228: greatest resistance of plain copper at 20 °C,
// ohm/km. 1.5 and 2.5 mm² of class 2 (12.1 and 7.41) were read; the others are
// from memory.
type metric struct{ areaMM2, class2, class5 float64 }

func metricTable() []metric {
	return []metric{
		{0.5, 36.0, 39.0}, {0.75, 24.5, 26.0}, {1, 18.1, 19.5}, {1.5, 12.1, 13.3}, {2.5, 7.41, 7.98},
		{4, 4.61, 4.95}, {6, 3.08, 3.30}, {10, 1.83, 1.91}, {16, 1.15, 1.21}, {25, 0.727, 0.780},
		{35, 0.524, 0.554}, {50, 0.387, 0.386}, {70, 0.268, 0.272}, {95, 0.193, 0.206}, {120, 0.153, 0.161},
	}
}

// iec60228 is the greatest resistance of a listed metric size, ohm/km at 20 °C:
// class 1 and 2 (solid, stranded for fixed laying) or class 5 (flexible).
func iec60228(areaMM2 float64, flexible bool) (float64, bool) {
	for _, m := range metricTable() {
		if math.Abs(areaMM2-m.areaMM2) < 0.001*m.areaMM2 {
			if flexible {
				return m.class5, true
			}
			return m.class2, true
		}
	}
	return 0, false
}
