package plan

// EthernetClass is a class of power over the network cable, IEEE 802.3-2022
// clauses 33 and 145 (from public reference pages; channel resistance from memory,
// consistent with the class powers).
type EthernetClass struct {
	Class   int     `json:"class"`
	Type    int     `json:"type"`
	SourceW float64 `json:"source_w"` // least the source provides at its port
	DeviceW float64 `json:"device_w"` // most the device may draw at the far end
	SourceV float64 `json:"source_v"` // least the source gives
	DeviceV float64 `json:"device_v"` // least at the device
	LoopOhm float64 `json:"loop_ohm"` // greatest channel, all pairs used
	Pairs   int     `json:"pairs"`    // pairs each way that carry the power: 2 or 4
}

// EthernetMostV is the most an IEEE 802.3 source may give, V.
const EthernetMostV = 57.0

// ExtraLowV is the usual limit of extra-low voltage in product standards, V
// direct current; WetV is the cautious limit where it is wet (IEC 61201 has 35 V for some uses).
const (
	ExtraLowV = 60.0
	WetV      = 30.0
)

// Ethernet gives a class, 0 to 8.
func Ethernet(class int) (EthernetClass, bool) {
	type row struct {
		kind            int
		sourceW, device float64
	}
	rows := []row{{1, 15.4, 12.95}, {1, 4, 3.84}, {1, 7, 6.49}, {1, 15.4, 12.95}, {2, 30, 25.5}, {3, 45, 40}, {3, 60, 51}, {4, 75, 62}, {4, 90, 71.3}}
	if class < 0 || class >= len(rows) {
		return EthernetClass{}, false
	}
	r := rows[class]
	e := EthernetClass{Class: class, Type: r.kind, SourceW: r.sourceW, DeviceW: r.device, Pairs: 2}
	switch r.kind {
	case 1:
		e.SourceV, e.DeviceV, e.LoopOhm = 44, 37, 20
	case 2:
		e.SourceV, e.DeviceV, e.LoopOhm = 50, 42.5, 12.5
	case 3:
		e.SourceV, e.DeviceV, e.LoopOhm, e.Pairs = 50, 42.5, 6.25, 4
	case 4:
		e.SourceV, e.DeviceV, e.LoopOhm, e.Pairs = 52, 41.1, 6.25, 4
	}
	return e, true
}

// ClassLoss is what happens over the longest allowed channel at full power.
type ClassLoss struct {
	CurrentA float64 `json:"current_a"`
	DeviceV  float64 `json:"device_v"`
	LossW    float64 `json:"loss_w"`
	DeviceW  float64 `json:"device_w"`
}

// Loss is the class's loss with its full source power over loopOhm, V at the
// source being the least the class allows.
func (e EthernetClass) Loss(loopOhm float64) ClassLoss {
	i := e.SourceW / e.SourceV
	return ClassLoss{CurrentA: i, DeviceV: e.SourceV - i*loopOhm, LossW: i * i * loopOhm, DeviceW: e.SourceW - i*i*loopOhm}
}
