package plan

// workingLimits are those that come nearer as the load grows or the pack empties.
func (f Feed) workingLimits(op operating, draw []float64) []Limit {
	var out []Limit
	for i, e := range f.Path {
		st := op.stages[i]
		switch e := e.(type) {
		case Load:
			if e.MinV > 0 && draw[i] > 0 {
				out = append(out, limit(e.Name, "voltage at the load", st.inV, e.MinV, "V", true))
			}
		case Converter:
			if least := e.leastInputV(); least > 0 && !e.passesThrough() {
				out = append(out, limit(e.Name, "input voltage", st.inV, least, "V", true))
			}
			if e.RatedW > 0 {
				out = append(out, limit(e.Name, "power delivered", st.deliverW, e.RatedW, "W", false))
			}
			if class, ok := Ethernet(e.Class); ok && e.Injection == EthernetInjection {
				out = append(out, limit(e.Name, "power at the port", st.deliverW, class.SourceW, "W", false),
					limit(e.Name, "power at the device", f.deviceW(i, op), class.DeviceW, "W", false))
			}
		case Conductor:
			if most, ok := e.Rating(); ok && !f.lineVoltage(st.suppliedBy) {
				l := limit(e.Name, "current", st.currentA, most, "A", false)
				l.Safety = true
				out = append(out, l)
			}
		}
	}
	s := f.Source
	if s.MostA > 0 {
		l := limit(s.Name, "current", op.sourceA, s.MostA*float64(max(s.Together, 1)), "A", false)
		out = append(out, l)
	}
	if s.MostW > 0 {
		out = append(out, limit(s.Name, "power", op.sourceW, s.MostW, "W", false))
	}
	return out
}

// deviceW is what is drawn on the stretch behind the converter at index i.
func (f Feed) deviceW(i int, op operating) float64 {
	w := 0.0
	for j := range f.Path {
		if op.stages[j].suppliedBy == i {
			w += op.stages[j].drawW
		}
	}
	return w
}

// lineVoltage says whether a stretch carries line voltage straight from the source.
func (f Feed) lineVoltage(feeder int) bool { return feeder < 0 && f.Source.Alternating() }

// headV is the highest voltage at the head of the stretch that feeder feeds.
func (f Feed) headV(feeder int, highV float64) float64 {
	if feeder >= 0 {
		return f.Path[feeder].(Converter).OutputV
	}
	return highV
}

// fixedLimits are those of the highest voltage, with the loads off.
func (f Feed) fixedLimits(highV float64) []Limit {
	var out []Limit
	add := func(name, what string, value, bound float64, safety bool) {
		l := limit(name, what, value, bound, "V", false)
		l.Safety, l.fixed = safety, true
		out = append(out, l)
	}
	for _, p := range f.stretches() {
		head, injected, class := f.headV(p.feeder, highV), false, false
		if p.feeder >= 0 {
			c := f.Path[p.feeder].(Converter)
			injected, class = c.Injection == PassiveInjection, c.Injection == EthernetInjection
			if injected || class {
				add(c.Name, "voltage on the network cable", head, EthernetMostV, true)
			}
		}
		for i := p.from; i < p.to; i++ {
			switch e := f.Path[i].(type) {
			case Load:
				if e.MaxV > 0 {
					add(e.Name, "highest voltage", head, e.MaxV, true)
				}
			case Converter:
				if e.passesThrough() && !injected {
					injected = true
					add(e.Name, "voltage on the network cable", head, EthernetMostV, true)
				}
				if e.InputMaxV > 0 && !e.passesThrough() {
					add(e.Name, "highest input voltage", head, e.InputMaxV, true)
				}
			}
		}
	}
	return out
}

// fuses are the fuses at the head of each stretch, but of line voltage and of
// IEEE 802.3 ports, which limit their own current.
func (f Feed) fuses(op operating) []FuseCheck {
	out := []FuseCheck{}
	for _, p := range f.stretches() {
		at, stated, amperes, gives := f.Source.Name, f.FuseA, op.sourceA, 0.0
		if p.feeder >= 0 {
			c := f.Path[p.feeder].(Converter)
			if c.Injection == EthernetInjection {
				continue
			}
			at, stated, amperes, gives = c.Name, 0, op.stages[p.feeder].deliverW/c.OutputV, c.RatedW/c.OutputV
		} else if f.Source.Alternating() {
			continue
		}
		var conductors []Conductor
		for _, e := range f.Path[p.from:p.to] {
			if c, ok := e.(Conductor); ok {
				conductors = append(conductors, c)
			}
		}
		if p.feeder >= 0 && len(conductors) == 0 || amperes <= 0 {
			continue
		}
		check := checkFuse(at, amperes, stated, conductors)
		check.SourceA = gives
		out = append(out, check)
	}
	return out
}

// first names the element that fails first: the one beyond its limit; else the one
// that ends the discharge well before the cut-off; else the one that gives way as
// the load grows at the source's usual voltage.
func (f Feed) first(r *FeedResult, usual operating) {
	for _, x := range r.Fuses {
		if !x.OK {
			r.FailsFirst, r.FailsWhy = x.Conductor, x.Why
			return
		}
	}
	for _, l := range r.Limits {
		if !l.OK {
			r.FailsFirst = l.Element
			r.FailsWhy = sprintf("%s %s %s, beyond its limit of %s %s", l.What, number(l.Value), l.Unit, number(l.Bound), l.Unit)
			return
		}
	}
	name, why := f.grown(r, usual)
	r.FailsFirst, r.FailsWhy, r.grows = name, why, name
	if r.UnusedRatio >= noticeUnused {
		r.FailsFirst, r.FailsWhy = r.StopsBy, sprintf("ends it with the pack at %s, %s of the charge unused", volts(r.StopsAtV), percent(r.UnusedRatio))
	}
}

// grown is what gives way first as all loads grow together, and sets headroom.
func (f Feed) grown(r *FeedResult, usual operating) (name, why string) {
	total := sum(f.full())
	r.headroom = mostScale
	name, why = f.Source.Name, "no other limit is stated"
	if m, ok := f.most(usual.sourceV, -1, mostScale); ok && m < mostScale && total > 0 {
		r.headroom = m
		name, why = f.Source.Name, "the limit is reached at "+watts(m*total)
		if _, fail := f.operate(usual.sourceV, f.scaled(-1, m*(1+1e-6))); fail != nil {
			if fail.at >= 0 {
				name = f.Path[fail.at].label()
			}
			why = sprintf("as the load grows, from %s on: %s", watts(m*total), fail.why)
		}
	}
	for i, e := range f.Path {
		c, ok := e.(Conductor)
		if !ok || usual.stages[i].currentA <= 0 || f.lineVoltage(usual.stages[i].suppliedBy) {
			continue
		}
		if most, known := c.Rating(); known && most/usual.stages[i].currentA < r.headroom {
			r.headroom = most / usual.stages[i].currentA
			name, why = c.Name, sprintf("as the load grows, from about %s on: more than its %s", watts(r.headroom*total), amps(most))
		}
	}
	return name, why
}
