package agent

import (
	"slices"
	"time"

	"candlemark/agent/pack"
)

// placeKnown and placeNew are how far the charge that is left may be misjudged however
// little it is, as a share of the whole discharge, for a pack with history and for one
// without: the part of the error that does not shrink with the time left (where on its
// curve the pack stands, and which of its cells is the weakest). Chosen on simulated
// discharges with faults (faults_test.go).
const (
	placeKnown = 0.02
	placeNew   = 0.04
)

// prudent takes that off the cautious time, which the alarms, the reserve and the
// pages go by. The estimator's own margin is a share of the time left, which is
// nothing much near the end of a discharge of many hours.
func prudent(f pack.Forecast) pack.Forecast {
	if !f.Known || !f.ChargeKnown || !(f.ChargeRatio > 0) {
		return f
	}
	place := placeNew
	if slices.Contains(f.Basis, pack.History) {
		place = placeKnown
	}
	whole := float64(f.Expected) / f.ChargeRatio
	f.Cautious = max(f.Cautious-time.Duration(place*min(whole, 1e17)), 0)
	return f
}
