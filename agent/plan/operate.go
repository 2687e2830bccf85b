package plan

import "math"

// stage is what one element of the path does at one operating point.
type stage struct {
	inV, outV  float64
	currentA   float64 // through a conductor; into a load or converter
	lossW      float64
	drawW      float64 // what a load or converter takes in
	deliverW   float64 // what a converter gives out
	unstableV  float64 // the other root seen from a load or converter
	suppliedBy int     // index of the converter that feeds the stretch; -1 the source
}

// operating is one operating point of a feed.
type operating struct {
	sourceV, sourceA, sourceW float64
	stages                    []stage
}

// failure is why a feed does not run at an operating point.
type failure struct {
	at  int // index into the path; -1 the source
	why string
}

// stretch is a part of the path between converters: elements from to to, the last
// being the converter that ends it where ended is set.
type stretch struct {
	from, to int
	ended    bool
	feeder   int
}

func (f Feed) stretches() []stretch {
	var out []stretch
	s := stretch{feeder: -1}
	for i, e := range f.Path {
		if c, ok := e.(Converter); ok && !c.passesThrough() {
			s.to, s.ended = i+1, true
			out = append(out, s)
			s = stretch{from: i + 1, feeder: i}
		}
	}
	s.to = len(f.Path)
	return append(out, s)
}

func resistance(e Element) float64 {
	switch e := e.(type) {
	case Conductor:
		return e.LoopOhm()
	case Connectors:
		return e.Ohm * float64(e.Count)
	}
	return 0
}

// operate finds the operating point with the source at supplyV and each load
// drawing powerW of its index. It goes from the far end back, since what a
// converter takes in follows from what it feeds.
func (f Feed) operate(supplyV float64, powerW []float64) (operating, *failure) {
	op := operating{sourceV: supplyV, stages: make([]stage, len(f.Path))}
	parts := f.stretches()
	inputW := 0.0
	for k := len(parts) - 1; k >= 0; k-- {
		p := parts[k]
		headV := supplyV
		if p.feeder >= 0 {
			headV = f.Path[p.feeder].(Converter).OutputV
		}
		draw := append([]float64(nil), powerW[p.from:p.to]...)
		if p.ended {
			draw[p.to-1-p.from] = inputW
		}
		headA, fail := f.along(&op, p, headV, draw)
		if fail != nil {
			return op, fail
		}
		if p.feeder < 0 {
			op.sourceA, op.sourceW = headA, headA*supplyV
			break
		}
		c := f.Path[p.feeder].(Converter)
		out := headA * headV
		inputW = out/c.at(out) + c.IdleW
		st := &op.stages[p.feeder]
		st.deliverW, st.lossW, st.outV = out, inputW-out, headV
		if fail := f.converterLimits(p, c, out, &op); fail != nil {
			return op, fail
		}
	}
	return op, f.voltageLimits(&op)
}

// along works out one stretch: the voltage and current of each element.
func (f Feed) along(op *operating, p stretch, headV float64, draw []float64) (headA float64, fail *failure) {
	var rungs []rung
	var taps []int // index into the path of each rung
	ohm := 0.0
	for i := p.from; i < p.to; i++ {
		ohm += resistance(f.Path[i])
		if w := draw[i-p.from]; w > 0 {
			rungs = append(rungs, rung{ohm, w})
			taps, ohm = append(taps, i), 0
		}
	}
	v, ok := solve(headV, rungs)
	if !ok {
		total, path := 0.0, 0.0
		for _, r := range rungs {
			total += r.w
			path += r.ohm
		}
		why := sprintf("cannot carry %s at %s: the loop of %s has no operating point", watts(total), volts(headV), ohms(path))
		if len(rungs) == 1 {
			why += sprintf(" above %s", watts(MostPowerW(headV, path)))
		}
		return 0, &failure{f.thinnest(p), why}
	}
	amperes := make([]float64, len(rungs))
	for i, r := range rungs {
		amperes[i] = r.w / v[i]
		headA += amperes[i]
	}
	here, through, next, along := headV, headA, 0, 0.0
	for i := p.from; i < p.to; i++ {
		st := &op.stages[i]
		r := resistance(f.Path[i])
		along += r
		st.suppliedBy, st.inV, st.currentA = p.feeder, here, through
		here -= through * r
		tapped := next < len(taps) && taps[next] == i
		if tapped {
			here = v[next] // the same, without the rounding of the sum
		}
		if c, ok := f.Path[i].(Converter); !ok || c.passesThrough() {
			st.outV, st.lossW = here, through*through*r
		}
		switch f.Path[i].(type) {
		case Load, Converter:
			st.inV = here
			if tapped {
				st.drawW, st.currentA = rungs[next].w, amperes[next]
				st.unstableV = along * st.drawW / here
				through -= st.currentA
				next++
			} else if _, load := f.Path[i].(Load); load {
				st.currentA = 0
			}
		}
		if math.Abs(through) < 1e-12*headA {
			through = 0
		}
	}
	return headA, nil
}

// thinnest is the element with the most resistance on a stretch; what feeds it
// where it has none.
func (f Feed) thinnest(p stretch) int {
	best, most := p.feeder, -1.0
	for i := p.from; i < p.to; i++ {
		if r := resistance(f.Path[i]); r > most {
			best, most = i, r
		}
	}
	return best
}

// converterLimits checks what a converter delivers into stretch p.
func (f Feed) converterLimits(p stretch, c Converter, out float64, op *operating) *failure {
	if c.RatedW > 0 && out > c.RatedW*(1+1e-9) {
		return &failure{p.feeder, sprintf("would have to deliver %s, its rating is %s", watts(out), watts(c.RatedW))}
	}
	if c.Injection != EthernetInjection {
		return nil
	}
	class, ok := Ethernet(c.Class)
	if !ok {
		return &failure{p.feeder, sprintf("has no class %d in IEEE 802.3", c.Class)}
	}
	device := 0.0
	for i := p.from; i < p.to; i++ {
		device += op.stages[i].drawW
	}
	if device > class.DeviceW*(1+1e-9) {
		return &failure{p.feeder, sprintf("class %d gives a device %s, %s are wanted", c.Class, watts(class.DeviceW), watts(device))}
	}
	if out > class.SourceW*(1+1e-9) {
		return &failure{p.feeder, sprintf("class %d gives %s at its port, %s are wanted", c.Class, watts(class.SourceW), watts(out))}
	}
	for i := p.from; i < p.to; i++ {
		if st := op.stages[i]; st.drawW > 0 && st.inV < class.DeviceV*(1-1e-9) {
			return &failure{i, sprintf("gets %s, class %d promises a device %s", volts(st.inV), c.Class, volts(class.DeviceV))}
		}
	}
	return nil
}

// voltageLimits checks least voltages, outermost first: what fails there first
// is what the reader sees go dark.
func (f Feed) voltageLimits(op *operating) *failure {
	for i := len(f.Path) - 1; i >= 0; i-- {
		st := op.stages[i]
		switch e := f.Path[i].(type) {
		case Load:
			if e.MinV > 0 && st.drawW > 0 && st.inV < e.MinV*(1-1e-9) {
				return &failure{i, sprintf("gets %s, it needs %s", volts(st.inV), volts(e.MinV))}
			}
		case Converter:
			if least := e.leastInputV(); !e.passesThrough() && st.inV < least*(1-1e-9) {
				return &failure{i, sprintf("gets %s, it works from %s", volts(st.inV), volts(least))}
			}
		}
	}
	s := f.Source
	if s.MostA > 0 && op.sourceA > s.MostA*float64(max(s.Together, 1))*(1+1e-9) {
		return &failure{-1, sprintf("would have to give %s, it may give %s", amps(op.sourceA), amps(s.MostA*float64(max(s.Together, 1))))}
	}
	if s.MostW > 0 && op.sourceW > s.MostW*(1+1e-9) {
		return &failure{-1, sprintf("would have to give %s, it can give %s", watts(op.sourceW), watts(s.MostW))}
	}
	return nil
}

// full is the draw with everything on; scaled multiplies the loads from index at
// outward, all of them for -1.
func (f Feed) full() []float64 { return f.scaled(-1, 1) }

func (f Feed) scaled(at int, by float64) []float64 {
	w := make([]float64, len(f.Path))
	for i, e := range f.Path {
		if l, ok := e.(Load); ok {
			w[i] = l.PowerW
			if i >= at {
				w[i] *= by
			}
		}
	}
	return w
}

func (f Feed) runsAt(supplyV float64, powerW []float64) bool {
	_, fail := f.operate(supplyV, powerW)
	return fail == nil
}

// most is by how much the loads from index at outward could be multiplied and
// still run at supplyV, up to limit.
func (f Feed) most(supplyV float64, at int, limit float64) (factor float64, ok bool) {
	if !f.runsAt(supplyV, f.scaled(at, 0)) {
		return 0, false
	}
	lo, hi := 0.0, limit
	if f.runsAt(supplyV, f.scaled(at, hi)) {
		return hi, true
	}
	for range 44 {
		if m := (lo + hi) / 2; f.runsAt(supplyV, f.scaled(at, m)) {
			lo = m
		} else {
			hi = m
		}
	}
	return lo, true
}

// lowestV is the lowest source voltage from which everything runs.
func (f Feed) lowestV() (float64, bool) {
	low, usual, _ := f.Source.volts()
	p := f.full()
	if f.runsAt(low, p) {
		return low, true
	}
	if !f.runsAt(usual, p) {
		return 0, false
	}
	hi := usual
	for range 44 {
		if m := (low + hi) / 2; f.runsAt(m, p) {
			hi = m
		} else {
			low = m
		}
	}
	return hi, true
}

// meanW is the mean power at the source with the loads on and off by their duty
// cycles, independently of each other.
func (f Feed) meanW(supplyV float64) float64 {
	var cycled []int
	w := f.full()
	for i, e := range f.Path {
		if l, ok := e.(Load); ok && l.Duty < 1 {
			cycled = append(cycled, i)
		}
	}
	cycled = cycled[:min(len(cycled), MostCycled)]
	mean := 0.0
	for state := range 1 << len(cycled) {
		share := 1.0
		for b, i := range cycled {
			l := f.Path[i].(Load)
			if state>>b&1 == 1 {
				w[i] = l.PowerW
				share *= l.Duty
			} else {
				w[i] = l.StandbyW
				share *= 1 - l.Duty
			}
		}
		if share > 0 {
			op, _ := f.operate(supplyV, w)
			mean += share * op.sourceW
		}
	}
	return mean
}

// MostCycled is how many duty-cycled loads one feed may have.
const MostCycled = 8
