package config

import "candlemark/agent/pack"

// cell holds the usual voltages of one cell, V.
type cell struct {
	full, cutoff         float64 // the defaults
	leastCutoff, topFull float64 // beyond these the number of cells or the chemistry is wrong
}

// cellOf gives the usual voltages. The defaults are those by which packs are
// sold: 5 li-ion cells 21.0 V and 15.0 V, 4 lfp cells 14.6 V and 11.2 V, 6
// lead-acid cells 14.4 V and 10.5 V (common practice, no source). The bounds
// are the most lenient figures makers give (from memory): 2.5 V and 4.45 V,
// 2.0 V and 3.8 V; for lead-acid 1.67 V, which makers allow at the end of short
// discharges (common practice, no source), and 2.7 V.
func cellOf(chemistry pack.Chemistry) (c cell, ok bool) {
	switch chemistry {
	case pack.LiIon:
		return cell{full: 4.2, cutoff: 3.0, leastCutoff: 2.5, topFull: 4.45}, true
	case pack.LFP:
		return cell{full: 3.65, cutoff: 2.8, leastCutoff: 2.0, topFull: 3.8}, true
	case pack.LeadAcid:
		return cell{full: 2.4, cutoff: 1.75, leastCutoff: 1.67, topFull: 2.7}, true
	}
	return cell{}, false
}
