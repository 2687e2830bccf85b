package plan

import (
	"math"

	"candlemark/agent/pack"
)

// The uncertainties of endurance, as ratios. Common practice, no source: a label
// is seldom beaten; a health nobody measured is seldom good.
const (
	labelDown, labelUp           = 0.08, 0.03
	healthDown, healthUp         = 0.06, 0.04 // stated
	unknownHealthDown            = 0.20       // not stated: 100 % is expected
	tempDown, tempUp             = 0.12, 0.04 // temperature not stated: 25 °C is expected
	efficiencyDown, efficiencyUp = 0.03, 0.02 // stated
	guessDown, guessUp           = 0.06, 0.06 // DefaultEfficiency was taken
	loadDown, loadUp             = 0.08, 0.08
	curveError                   = 0.10 // of the charge, where the discharge ends early
)

// spread gathers independent uncertainties.
type spread struct{ down, up float64 }

func (s *spread) add(down, up float64) {
	s.down += down * down
	s.up += up * up
}

func (s *spread) around(h float64) Range {
	return Range{Low: hours(h * math.Exp(-math.Sqrt(s.down))), Expected: hours(h), High: hours(h * math.Exp(math.Sqrt(s.up)))}
}

// UsableWh is what one pack, or the packs in use together, give down to the
// voltage stopsV at a mean power.
func (s Source) UsableWh(stopsV, meanW float64) float64 {
	cells := float64(max(s.SeriesCells, 1))
	left := chargeLeft(s.Chemistry, stopsV/cells, s.CutoffV/cells)
	wh := s.LabelWh * float64(max(s.Together, 1)) * s.Health * math.Min(s.Usable, 1-left)
	wh /= math.Max(1, TemperatureFactor(s.Chemistry, s.TempC))
	if s.Peukert > 1 && s.NominalV > 0 && meanW > 0 {
		wh *= peukertShare(s.CapacityAh*float64(max(s.Together, 1)), s.Peukert, meanW/s.NominalV, s.RatedTime)
	}
	return wh
}

func (f Feed) endurance(r *FeedResult, meanW float64) {
	s := f.Source
	switch {
	case s.Kind == Generator && s.RunsFor > 0:
		r.Endurance = &Range{Low: hours(0.8 * s.RunsFor.Hours()), Expected: s.RunsFor, High: hours(1.1 * s.RunsFor.Hours())}
		return
	case s.Kind != PackSource || meanW <= 0:
		return
	}
	wh := s.UsableWh(r.StopsAtV, meanW)
	r.UsableWh = &wh
	if wh <= 0 {
		r.Endurance = &Range{}
		return
	}
	e := s.uncertainty()
	e.add(loadDown, loadUp)
	for _, x := range f.Path {
		if c, ok := x.(Converter); ok && !c.passesThrough() {
			if c.EfficiencyKnown {
				e.add(efficiencyDown, efficiencyUp)
			} else {
				e.add(guessDown, guessUp)
			}
		}
	}
	if r.UnusedRatio > 0 {
		d := math.Min(curveError/math.Max(1-r.UnusedRatio, 0.05), 1)
		e.add(d, d)
	}
	around := e.around(wh / meanW)
	r.Endurance = &around
}

// uncertainty is that of what a pack of this kind gives.
func (s Source) uncertainty() spread {
	var e spread
	e.add(labelDown, labelUp)
	if s.HealthKnown {
		e.add(healthDown, healthUp)
	} else {
		e.add(unknownHealthDown, 0)
	}
	if !s.TempKnown {
		e.add(tempDown, tempUp)
	} else if derate := math.Log(TemperatureFactor(s.Chemistry, s.TempC)); derate > 0 {
		e.add(0.5*derate, 0.3*derate) // the tables are weak where they matter most
	}
	if s.Peukert > 1 {
		e.add(0.05, 0.05)
	}
	return e
}

// lithium says whether the chemistry's cells are lithium cells.
func lithium(c pack.Chemistry) bool { return c == pack.LiIon || c == pack.LFP }

// notes are remarks on one feed that are neither limits nor cautions.
func (f Feed) notes(r *FeedResult, op operating) {
	note := func(format string, args ...any) { r.Notes = append(r.Notes, sprintf(format, args...)) }
	s := f.Source
	for i, e := range f.Path {
		if c, ok := e.(Converter); ok && c.Injection == EthernetInjection {
			if class, ok := Ethernet(c.Class); ok {
				x := class.Loss(class.LoopOhm)
				note("class %d at full power over the longest channel (%s): %s, %s lost, %s and %s at the device.", c.Class, ohms(class.LoopOhm), amps(x.CurrentA), watts(x.LossW), volts(x.DeviceV), watts(x.DeviceW))
			}
		}
		l, ok := e.(Load)
		if !ok || l.NominalV <= 0 {
			continue
		}
		if feeder := op.stages[i].suppliedBy; feeder >= 0 {
			c := f.Path[feeder].(Converter)
			if off := c.OutputV/l.NominalV - 1; math.Abs(off) > 0.02 {
				note("%s is set to %s for a load of %s: set it within 2 %%.", c.Name, volts(c.OutputV), volts(l.NominalV))
			}
		}
	}
	if s.Kind != PackSource {
		return
	}
	if s.CapacityAh > 0 && op.sourceA/(s.CapacityAh*float64(max(s.Together, 1))) > 2 {
		note("%s per pack is more than twice its capacity in an hour: check what the pack may give.", amps(op.sourceA/float64(max(s.Together, 1))))
	}
	if s.TempKnown && (s.TempC < -20 || s.TempC > 60) {
		note("%.0f °C is outside the usual -20 to 60 °C for discharge: the figures do not hold.", s.TempC)
	}
	if s.Kind == PackSource && s.Chemistry == pack.LeadAcid && s.Usable > 0.5 {
		note("Below half its charge a lead-acid bank ages fast: recharge it at once.")
	}
	if r.Endurance != nil && s.Chemistry == pack.LeadAcid && r.MeanW != nil && s.NominalV > 0 {
		perHour := *r.MeanW / s.NominalV
		note("For each hour %s Ah are drawn; to buy, take %s Ah an hour (IEEE 485 form: ageing 1.25, margin 1.10, temperature %.2f).",
			number(perHour), number(LeadAcidAh(perHour, 1.25, 1.10, TemperatureFactor(s.Chemistry, s.TempC))), TemperatureFactor(s.Chemistry, s.TempC))
	}
}
