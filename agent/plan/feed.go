package plan

import "math"

// mostScale bounds the search for the largest load.
const mostScale = 1000

// Evaluate works out one feed.
func (f Feed) Evaluate() FeedResult {
	low, usual, high := f.Source.volts()
	r := FeedResult{Source: f.Source.Name, Verdict: Runs, UsualV: usual, source: f.Source, Fuses: []FuseCheck{}, Limits: []Limit{}, Notes: []string{}}
	p := f.full()
	if !(sum(p) > 0) {
		r.noLoad(usual)
		return r
	}
	atUsual, fail := f.operate(usual, p)
	if fail != nil {
		f.dark(&r, fail, usual, atUsual)
		return r
	}
	r.UsualA = &atUsual.sourceA
	r.StopsAtV, _ = f.lowestV()
	worst, _ := f.operate(r.StopsAtV, p)
	r.WorstV, r.WorstA = r.StopsAtV, worst.sourceA
	if worst.sourceW > 0 {
		lost := math.Max(0, 1-sum(p)/worst.sourceW)
		r.LossRatio = &lost
	}
	f.stops(&r, low)
	if m, ok := f.most(usual, -1, mostScale); ok && m < mostScale && sum(p) > 0 {
		w := m * sum(p)
		r.MostLoadW, r.MostOf = &w, f.loadNames(-1)
	}
	mean := f.meanW(math.Max(usual, r.StopsAtV))
	r.MeanW = &mean
	r.Elements = f.elements(worst)
	r.Limits = append(f.workingLimits(worst, p), f.fixedLimits(high)...)
	r.Fuses = f.fuses(worst)
	f.start(&r, atUsual, worst)
	for _, x := range r.Fuses {
		if !x.OK {
			r.Verdict, r.Why = NotSafe, x.Why
		}
	}
	for _, l := range r.Limits {
		if !l.OK && l.Safety {
			r.Verdict, r.Why = NotSafe, sprintf("%s: %s %s, the limit is %s", l.Element, l.What, number(l.Value)+" "+l.Unit, number(l.Bound)+" "+l.Unit)
		}
	}
	f.first(&r, atUsual)
	f.endurance(&r, mean)
	f.notes(&r, worst)
	return r
}

// noLoad fills in a feed on which nothing draws: there is nothing to work out.
func (r *FeedResult) noLoad(usual float64) {
	r.Verdict, r.WorstV, r.StopsAtV, r.StopsBy = WillNotRun, usual, usual, r.Source
	r.FailsFirst, r.FailsWhy = r.Source, "feeds nothing: no load is on its path"
	r.Why = r.FailsFirst + " " + r.FailsWhy
	r.Elements = []ElementResult{}
}

// dark fills in a feed that does not run at its usual voltage.
func (f Feed) dark(r *FeedResult, fail *failure, usual float64, op operating) {
	r.Verdict, r.WorstV, r.StopsAtV = WillNotRun, usual, usual
	name := f.Source.Name
	if fail.at >= 0 {
		name = f.Path[fail.at].label()
	}
	r.FailsFirst, r.FailsWhy = name, fail.why
	r.StopsBy = name
	r.Why = sprintf("%s %s", name, fail.why)
	at := f.blamed(fail)
	if m, ok := f.most(usual, at, 1); ok && m > 0 {
		w := m * sum(f.scaled(at, 1)[max(at, 0):])
		r.MostLoadW, r.MostOf = &w, f.loadNames(at)
		r.Why += sprintf("; the most that would run is %s (%s)", watts(w), r.MostOf)
	} else {
		r.Why += "; no load would run this way"
	}
	r.Fuses, r.Limits = []FuseCheck{}, []Limit{}
	_, _, high := f.Source.volts()
	r.Limits = append(r.Limits, f.fixedLimits(high)...)
	r.Elements = []ElementResult{}
	if op.sourceW > 0 {
		r.WorstA = op.sourceA
		r.Elements = f.elements(op)
	}
}

// blamed is the first load whose power would have to fall: the loads from the
// failing element outward, or all of them where none lies beyond it.
func (f Feed) blamed(fail *failure) int {
	for i := max(fail.at, 0); i < len(f.Path); i++ {
		if _, ok := f.Path[i].(Load); ok {
			return max(fail.at, 0)
		}
	}
	return -1
}

func (f Feed) loadNames(at int) string {
	var names []string
	for i, e := range f.Path {
		if _, ok := e.(Load); ok && i >= at {
			names = append(names, e.label())
		}
	}
	return list(names)
}

// stops says what ends the discharge.
func (f Feed) stops(r *FeedResult, low float64) {
	if f.Source.Kind != PackSource {
		r.StopsBy = "nothing while the " + string(f.Source.Kind) + " holds"
		return
	}
	if r.StopsAtV <= low*(1+1e-9) {
		r.StopsBy = "the pack's cut-off"
		return
	}
	s := f.Source
	cells := float64(max(s.SeriesCells, 1))
	r.UnusedRatio = chargeLeft(s.Chemistry, r.StopsAtV/cells, s.CutoffV/cells)
	_, fail := f.operate(0.99*r.StopsAtV, f.full())
	if fail == nil {
		r.StopsBy = "an unknown limit"
		return
	}
	name := s.Name
	if fail.at >= 0 {
		name = f.Path[fail.at].label()
	}
	r.StopsBy = name
	if r.UnusedRatio < noticeUnused {
		return
	}
	r.Notes = append(r.Notes, sprintf("Ends with the pack at %s, %s of its charge unused: below that %s %s. Cut-off is %s.", volts(r.StopsAtV), percent(r.UnusedRatio), name, fail.why, volts(low)))
	if m, ok := f.most(low, f.blamed(fail), 1); ok && m > 0.01 {
		at := f.blamed(fail)
		r.Notes = append(r.Notes, sprintf("Down to the cut-off it would run %s (%s).", watts(m*sum(f.scaled(at, 1)[max(at, 0):])), f.loadNames(at)))
	}
}

// noticeUnused is the part of the charge left unused from which it is worth a word.
const noticeUnused = 0.02

// elements is the table of losses.
func (f Feed) elements(op operating) []ElementResult {
	out := make([]ElementResult, len(f.Path))
	for i, e := range f.Path {
		st := op.stages[i]
		x := ElementResult{Name: e.label(), Kind: e.kind(), InV: st.inV, OutV: st.outV, CurrentA: st.currentA, LossW: st.lossW}
		switch e := e.(type) {
		case Conductor:
			x.Detail = e.describe()
		case Connectors:
			x.Detail = sprintf("%d x %s", e.Count, ohms(e.Ohm))
		case Converter:
			x.Detail = e.describe(st.deliverW)
		case Load:
			x.LoadW, x.OutV = st.drawW, st.inV
			x.Detail = watts(e.PowerW)
			if e.Duty < 1 {
				x.Detail += sprintf(" for %s of the time, else %s", percent(e.Duty), watts(e.StandbyW))
			}
		}
		out[i] = x
	}
	return out
}

func (c Conductor) describe() string {
	size := number(c.AreaMM2) + " mm²"
	if c.GaugeKnown {
		switch {
		case c.AWG <= 0:
			size = sprintf("%d/0 AWG", 1-c.AWG)
		default:
			size = sprintf("%d AWG", c.AWG)
		}
	}
	what := "copper"
	if c.CopperShare == 0 {
		what = "aluminium"
	} else if c.CopperClad() {
		what = "copper-clad aluminium " + percent(c.CopperShare)
	}
	out := sprintf("%s %s, %s m, %s loop", size, what, number(c.LengthM), ohms(c.LoopOhm()))
	if c.Pairs > 1 {
		out += sprintf(", %d pairs", c.Pairs)
	}
	return out
}

func (c Converter) describe(outW float64) string {
	switch {
	case c.Injection == EthernetInjection:
		return sprintf("class %d, %s at the port, %s", c.Class, volts(c.OutputV), percent(c.at(outW)))
	case c.passesThrough():
		return "passive, passes on its input"
	}
	d := sprintf("to %s, %s", volts(c.OutputV), percent(c.at(outW)))
	if !c.EfficiencyKnown {
		d += " assumed"
	}
	if c.Injection == PassiveInjection {
		d = "passive, " + d
	}
	return d
}

// start looks for taps whose lock-out lies below the unstable voltage.
func (f Feed) start(r *FeedResult, usual, worst operating) {
	for i, e := range f.Path {
		startsAt := 0.0
		switch e := e.(type) {
		case Load:
			startsAt = e.MinV
		case Converter:
			if e.passesThrough() {
				continue
			}
			startsAt = e.startsAtV()
		default:
			continue
		}
		for _, op := range []operating{usual, worst} {
			st := op.stages[i]
			if st.unstableV <= 0 || st.inV <= 0 {
				continue
			}
			switch {
			case startsAt > 0 && startsAt < st.unstableV && op.sourceV == usual.sourceV:
				r.Verdict = MayNotStart
				r.Why = sprintf("%s begins to draw at %s, below the unstable voltage of %s on this line: it may pull the line down and never start. Raise its lock-out above that, or use thicker or shorter wire", e.label(), volts(startsAt), volts(st.unstableV))
			case startsAt > 0 && startsAt < st.unstableV:
				r.Notes = append(r.Notes, sprintf("%s may not start again once the source is near %s: its lock-out of %s is below the unstable voltage of %s.", e.label(), volts(op.sourceV), volts(startsAt), volts(st.unstableV)))
			case startsAt == 0 && st.unstableV > 0.2*op.stages[i].inV:
				r.Notes = append(r.Notes, sprintf("%s: its lock-out is not stated. Below %s it may never start on this line.", e.label(), volts(st.unstableV)))
			default:
				continue
			}
			break
		}
	}
}

func sum(x []float64) float64 {
	s := 0.0
	for _, v := range x {
		s += v
	}
	return s
}
