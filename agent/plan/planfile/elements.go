package planfile

import (
	"fmt"

	"candlemark/agent/config"
	"candlemark/agent/plan"
)

func (r *reader) readSources() {
	for i, x := range r.file.Packs {
		key := fmt.Sprintf("packs[%d]", i)
		s := r.pack(key, x)
		if x.Name != "" && !r.taken(key, x.Name) {
			r.sources[x.Name] = s
		}
	}
	for i, x := range r.file.Supplies {
		key := fmt.Sprintf("supplies[%d]", i)
		if x.Kind == "mains" && x.RunsFor != nil {
			r.report(key+".runs_for", "belongs to a generator", "remove it")
		}
		s := plan.Source{Name: x.Name, Kind: plan.SourceKind(x.Kind), SupplyV: float64(x.Volts), MostW: float64(deref(x.Power)), RunsFor: deref(x.RunsFor)}
		if x.Name != "" && !r.taken(key, x.Name) {
			r.sources[x.Name] = s
		}
	}
}

func (r *reader) pack(key string, x packs) plan.Source {
	cells := float64(max(x.SeriesCells, 1))
	cell, _ := plan.Cell(x.Chemistry)
	or := func(p *config.Volts, perCell float64) float64 {
		if p != nil {
			return float64(*p)
		}
		return perCell * cells
	}
	s := plan.Source{Name: x.Name, Kind: plan.PackSource, Chemistry: x.Chemistry, SeriesCells: x.SeriesCells,
		NominalV: or(x.Nominal, cell.Nominal), FullV: or(x.Full, cell.Full), CutoffV: or(x.Cutoff, cell.Cutoff),
		Count: x.Count, Together: x.Together, Health: 1, HealthKnown: x.Health != nil, Usable: float64(x.Usable), TempC: 25, TempKnown: x.Temperature != nil,
		Peukert: peukertOf(x.Chemistry), RatedTime: x.RatedTime, MostA: float64(deref(x.Most)), OwnCutoff: x.OwnCutoff}
	if x.Health != nil {
		s.Health = float64(*x.Health)
	}
	if x.Temperature != nil {
		s.TempC = float64(*x.Temperature)
	}
	if x.Peukert != nil {
		s.Peukert = *x.Peukert
	}
	switch {
	case (x.Energy == nil) == (x.Capacity == nil):
		r.report(key, "wants either energy or capacity", "take what the label says: energy: 90Wh or capacity: 5Ah")
	case x.Energy != nil && s.NominalV > 0:
		s.LabelWh, s.CapacityAh = float64(*x.Energy), float64(*x.Energy)/s.NominalV
	case x.Capacity != nil:
		s.LabelWh, s.CapacityAh = float64(*x.Capacity)*s.NominalV, float64(*x.Capacity)
	}
	if !(s.CutoffV < s.NominalV && s.NominalV < s.FullV) {
		r.report(key, fmt.Sprintf("cut-off %g V, nominal %g V and full %g V are not in rising order", s.CutoffV, s.NominalV, s.FullV), "give the voltages of the whole pack, and check series_cells")
	}
	if s.CutoffV < 0.8*cell.Lowest*cells || s.FullV > 1.2*cell.Full*cells {
		r.report(key, fmt.Sprintf("%g to %g V does not fit %d cells of %s", s.CutoffV, s.FullV, x.SeriesCells, x.Chemistry), "check chemistry, series_cells, cutoff and full")
	}
	if x.Together > x.Count {
		r.report(key+".together", "is more than count", "give the number of packs on hand as count")
	}
	return s
}

func (r *reader) readElements() {
	for i, x := range r.file.Converters {
		key := fmt.Sprintf("converters[%d]", i)
		r.inputs(key, x.InputMin, x.InputMax, x.Lockout)
		c := plan.Converter{Name: x.Name, OutputV: float64(x.Output), InputMinV: float64(deref(x.InputMin)), InputMaxV: float64(deref(x.InputMax)),
			LockoutV: float64(deref(x.Lockout)), RatedW: float64(deref(x.Power)), IdleW: float64(x.Idle)}
		c.Efficiency, c.EfficiencyKnown = r.efficiency(key, x)
		r.add(key, x.Name, c)
	}
	for i, x := range r.file.Injectors {
		r.injector(fmt.Sprintf("injectors[%d]", i), x)
	}
	for i, x := range r.file.Conductors {
		r.add(fmt.Sprintf("conductors[%d]", i), x.Name, conductorOf(x))
	}
	for i, x := range r.file.Connectors {
		r.add(fmt.Sprintf("connectors[%d]", i), x.Name, plan.Connectors{Name: x.Name, Ohm: float64(x.Each), Count: x.Count})
	}
	for i, x := range r.file.Loads {
		key := fmt.Sprintf("loads[%d]", i)
		if x.Min != nil && x.Max != nil && *x.Min >= *x.Max {
			r.report(key+".min", "is not below max", "give the load's least and greatest voltage")
		}
		if x.Standby > x.Power {
			r.report(key+".standby", "is above power", "power is the draw when on, standby when off")
		}
		r.add(key, x.Name, plan.Load{Name: x.Name, PowerW: float64(x.Power), StandbyW: float64(x.Standby), Duty: float64(x.Duty),
			MinV: float64(deref(x.Min)), MaxV: float64(deref(x.Max)), NominalV: float64(deref(x.Nominal))})
	}
}

func (r *reader) inputs(key string, least, most, lockout *config.Volts) {
	if least != nil && most != nil && *least >= *most {
		r.report(key+".input_min", "is not below input_max", "take both from the converter's label")
	}
	if lockout != nil && most != nil && *lockout >= *most {
		r.report(key+".lockout", "is not below input_max", "the lock-out is the input voltage at which it stops")
	}
}

func (r *reader) efficiency(key string, x converter) ([]plan.EfficiencyAt, bool) {
	switch {
	case len(x.EfficiencyAt) > 0 && x.Efficiency != nil:
		r.report(key+".efficiency", "stands beside efficiency_at", "keep one of the two")
	case len(x.EfficiencyAt) > 0 && x.Power == nil:
		r.report(key+".efficiency_at", "gives shares of a power that is not there", "add the converter's rated power")
	case len(x.EfficiencyAt) > 20:
		r.report(key+".efficiency_at", "has more than 20 entries", "keep the ones that matter")
	case len(x.EfficiencyAt) > 0:
		var out []plan.EfficiencyAt
		for i, e := range x.EfficiencyAt {
			if i > 0 && e.Load <= x.EfficiencyAt[i-1].Load {
				r.report(fmt.Sprintf("%s.efficiency_at[%d].load", key, i), "is not above the one before", "list them by rising load")
			}
			out = append(out, plan.EfficiencyAt{Share: float64(e.Load), Efficiency: float64(e.Efficiency)})
		}
		return out, true
	case x.Efficiency != nil:
		return []plan.EfficiencyAt{{Share: 1, Efficiency: float64(*x.Efficiency)}}, true
	}
	return []plan.EfficiencyAt{{Share: 1, Efficiency: plan.DefaultEfficiency}}, false
}

func (r *reader) injector(key string, x injector) {
	r.inputs(key, x.InputMin, x.InputMax, x.Lockout)
	c := plan.Converter{Name: x.Name, Injection: plan.Injection(x.Kind), OutputV: float64(deref(x.Output)), InputMinV: float64(deref(x.InputMin)),
		InputMaxV: float64(deref(x.InputMax)), LockoutV: float64(deref(x.Lockout)), IdleW: float64(x.Idle), EfficiencyKnown: x.Efficiency != nil,
		Efficiency: []plan.EfficiencyAt{{Share: 1, Efficiency: plan.DefaultEfficiency}}}
	if x.Efficiency != nil {
		c.Efficiency[0].Efficiency = float64(*x.Efficiency)
	}
	switch {
	case x.Kind == "passive" && x.Class != nil:
		r.report(key+".class", "belongs to ieee802.3", "remove it; passive injection has no classes")
	case x.Kind == "ieee802.3" && x.Class == nil:
		r.report(key+".class", "is missing", "add the class of the powered device, 0 to 8")
	case x.Kind == "ieee802.3":
		class, ok := plan.Ethernet(*x.Class)
		if !ok {
			return // the tag's range has said so
		}
		c.Class = class.Class
		if x.Output == nil {
			c.OutputV = class.SourceV
		} else if c.OutputV < class.SourceV || c.OutputV > plan.EthernetMostV {
			r.report(key+".output", fmt.Sprintf("class %d gives %g to %g V", class.Class, class.SourceV, plan.EthernetMostV), "leave it out to take the least")
		}
	}
	r.add(key, x.Name, c)
}

func conductorOf(x conductor) plan.Conductor {
	c := plan.Conductor{Name: x.Name, AreaMM2: x.Size.AreaMM2, AWG: x.Size.AWG, GaugeKnown: x.Size.Gauge, Stranded: x.Stranded, CopperShare: 1,
		LengthM: float64(x.Length), TempC: float64(x.Temperature), Pairs: 1, Network: x.Network, Outdoor: x.Outdoor, RatingA: float64(deref(x.Rating))}
	switch x.Material {
	case "copper-clad":
		c.CopperShare = float64(x.Copper)
	case "aluminium":
		c.CopperShare = 0
	}
	switch {
	case x.Pairs != nil:
		c.Pairs = *x.Pairs
	case x.Network:
		c.Pairs = 2 // what two-pair power uses
	}
	return c
}
