package quality

import (
	"fmt"
	"math"
)

// view is the rounds in columns.
type view struct {
	limits            Limits
	rounds            int
	now, normal       columns
	hopSent, endSent  int
	hopAnsweredBefore bool
	normalRounds      int
}

// columns are delays in ms and packet counts over several rounds.
type columns struct {
	hop, end, beyond             []float64
	hopRise, endRise, beyondRise []float64
	hopLoss, endLoss             count
}

func newView(now, normal []Round, l Limits) view {
	v := view{limits: l, rounds: len(now), normalRounds: len(normal), now: inColumns(now), normal: inColumns(normal)}
	v.hopSent, v.endSent = v.now.hopLoss.sent, v.now.endLoss.sent
	v.hopAnsweredBefore = v.normal.hopLoss.lost < v.normal.hopLoss.sent
	return v
}

func inColumns(rounds []Round) columns {
	var c columns
	for _, r := range rounds {
		c.hopLoss.add(r.Hop)
		c.endLoss.add(r.End)
		hop, end := r.Hop.RTTMs, r.End.RTTMs
		appendIf(&c.hop, hop.V, hop.Known)
		appendIf(&c.end, end.V, end.Known)
		appendIf(&c.beyond, end.V-hop.V, hop.Known && end.Known)
		hopRise, endRise := r.HopLoaded.RTTMs.V-hop.V, r.EndLoaded.RTTMs.V-end.V
		hopKnown, endKnown := hop.Known && r.HopLoaded.RTTMs.Known, end.Known && r.EndLoaded.RTTMs.Known
		appendIf(&c.hopRise, hopRise, hopKnown)
		appendIf(&c.endRise, endRise, endKnown)
		appendIf(&c.beyondRise, endRise-hopRise, hopKnown && endKnown)
	}
	return c
}

func (c *count) add(l Look) { c.lost, c.sent = c.lost+l.Lost, c.sent+l.Sent }

// appendIf refuses what is not a finite number even when it is called known.
func appendIf(to *[]float64, v float64, known bool) {
	if known && !math.IsNaN(v) && !math.IsInf(v, 0) {
		*to = append(*to, v)
	}
}

func (v view) hopLost() bool { return v.hopSent > 0 && v.now.hopLoss.lost == v.hopSent }
func (v view) endLost() bool { return v.endSent > 0 && v.now.endLoss.lost == v.endSent }

// above is a delay's excess over normal. Without normal rounds it is over the
// stated normal, taken as exact.
func above(now, normal []float64, stated float64) (e, base estimate, ok bool) {
	e, ok = trimmed(now)
	if !ok {
		return e, base, false
	}
	base, known := trimmed(normal)
	if !known {
		base = estimate{v: stated}
	}
	return e.less(base), base, true
}

// symptoms judges all six figures.
func (v view) symptoms() []symptom {
	l := v.limits
	all := v.pair("delay", v.now.hop, v.normal.hop, v.now.end, v.normal.end, v.now.beyond, v.normal.beyond,
		l.HopMs, l.BeyondMs, func(base float64) float64 { return max(l.DelayMs, l.DelayShare*base) })
	all = append(all, v.pair("rise under load", v.now.hopRise, v.normal.hopRise, v.now.endRise, v.normal.endRise, v.now.beyondRise, v.normal.beyondRise,
		0, 0, func(float64) float64 { return l.RiseMs })...)
	return append(all, v.losses()...)
}

// pair judges one kind of delay at the hop and beyond it.
func (v view) pair(what string, hopNow, hopNormal, endNow, endNormal, beyondNow, beyondNormal []float64, hopStated, beyondStated float64, faultOf func(base float64) float64) []symptom {
	hop, hopBase, okHop := above(hopNow, hopNormal, hopStated)
	end, endBase, okEnd := above(endNow, endNormal, hopBase.v+beyondStated)
	beyond, beyondBase, okBeyond := above(beyondNow, beyondNormal, beyondStated)
	if !okHop || !okEnd || !okBeyond {
		return nil
	}
	h := symptom{part: "hop", what: what, v: hop.v, fault: faultOf(hopBase.v)}
	h.state, h.upper = judgeDelay(hop, h.fault)
	b := symptom{part: "beyond", what: what, v: beyond.v, fault: faultOf(beyondBase.v)}
	b.state, b.upper = judgeDelay(beyond, b.fault)
	both := fmt.Sprintf("%s: %+.1f ms against normal to the near element, %+.1f ms end to end", what, hop.v, end.v)
	h.said, b.said = both, both
	if h.state != faulty {
		return []symptom{h, b}
	}
	// Does traffic through the near element suffer what its own answers show?
	switch carried := beyond.v >= -hop.v/2; {
	case carried && end.v-end.reach(chanceClear) > 0:
		h.said = fmt.Sprintf("%s: %.0f of %.0f ms more end to end are there already at the near element", what, min(hop.v, end.v), end.v)
	case !carried && beyond.v+beyond.reach(chanceClear) < -hop.v/4:
		// Only the answers are slow. They hide nothing: what is beyond is then all of the end-to-end excess.
		h.state = clear
		b.v, b.fault = end.v, faultOf(endBase.v)
		b.state, b.upper = judgeDelay(end, b.fault)
		b.said = fmt.Sprintf("%s: the near element's own answers are slower by %.1f ms, but traffic through it only by %.1f ms", what, hop.v, end.v)
		h.said = b.said
	default:
		h.state = doubtful
		h.said = both + ", which does not show whether traffic through the near element suffers or only its answers"
	}
	return []symptom{h, b}
}

// losses judges loss at the hop and beyond it.
func (v view) losses() []symptom {
	const zFaulty, zClear = 2.9677, 2.3263 // normal quantiles of chanceFaulty and chanceClear
	hop, end := v.now.hopLoss, v.now.endLoss
	var hopBase, endBase []count
	if v.normal.hopLoss.sent > 0 {
		hopBase = []count{v.normal.hopLoss}
	}
	if v.normal.endLoss.sent > 0 {
		endBase = []count{v.normal.endLoss}
	}
	fault := v.limits.LossRatio
	judge := func(plus, minus []count) (s state, value, upper float64) {
		value, lower, _ := excess(plus, minus, zFaulty)
		_, _, upper = excess(plus, minus, zClear)
		switch {
		case value >= fault/2 && lower > 0:
			return faulty, value, upper
		case upper < fault:
			return clear, value, upper
		}
		return doubtful, value, upper
	}
	h := symptom{part: "hop", what: "loss", fault: fault}
	b := symptom{part: "beyond", what: "loss", fault: fault}
	h.state, h.v, h.upper = judge([]count{hop}, hopBase)
	b.state, b.v, b.upper = judge(append([]count{end}, hopBase...), append([]count{hop}, endBase...))
	h.said = fmt.Sprintf("%d of %d packets to the near element and %d of %d end to end are lost", hop.lost, hop.sent, end.lost, end.sent)
	b.said = h.said
	if h.state == faulty {
		endState, endV, endUpper := judge([]count{end}, endBase)
		_, endLower, _ := excess([]count{end}, endBase, zClear)
		switch carried := b.v >= -h.v/2; {
		case carried && endLower > 0:
		case !carried && b.upper < -h.v/4:
			h.state = clear
			h.said += ", so the near element leaves echoes unanswered and passes traffic"
			b.state, b.v, b.upper, b.said = endState, endV, endUpper, h.said
		default:
			h.state = doubtful
		}
	}
	return []symptom{h, b}
}

// withoutHop judges end to end alone.
func (v view) withoutHop() Attribution {
	why := "the hop was not probed"
	if v.hopSent > 0 {
		why = fmt.Sprintf("the near element answers none of %d packets", v.hopSent)
	}
	// With the hop's columns taken as nothing, what is beyond is all there is.
	whole := v
	whole.now, whole.normal = alone(v.now), alone(v.normal)
	// A share of the whole way would hide a fault of the hop.
	whole.limits.DelayShare = 0
	if !v.hopAnsweredBefore {
		whole.limits.BeyondMs += whole.limits.HopMs
	}
	var worst symptom
	for _, s := range whole.symptoms() {
		if s.part == "beyond" && (s.state > worst.state || s.state == worst.state && s.weight() > worst.weight()) {
			worst = s
		}
	}
	said := ""
	if worst.state != notKnown {
		said = fmt.Sprintf("end to end, %s is above normal by %s", worst.what, amount(worst.what, worst.v))
	}
	switch worst.state {
	case faulty:
		return unsure(said+v.basis(), why+", so a fault of it looks the same as one of the uplink; an answer of the near element would tell", true)
	case clear:
		return Attribution{Place: NoFault, Evidence: said + ", too little to matter, though " + why + v.basis()}
	}
	return unsure(said, why+", and end to end a fault is neither shown nor excluded; more rounds would tell", false)
}

// alone makes columns in which the hop adds nothing and loses nothing.
func alone(c columns) columns {
	return columns{
		hop: make([]float64, len(c.end)), end: c.end, beyond: c.end,
		hopRise: make([]float64, len(c.endRise)), endRise: c.endRise, beyondRise: c.endRise,
		hopLoss: count{0, c.endLoss.sent}, endLoss: c.endLoss,
	}
}

// hopAlone says what is known when only the hop was probed.
func (v view) hopAlone() string {
	if e, ok := trimmed(v.now.hop); ok {
		return fmt.Sprintf("the near element answers in %.1f ms and left %d of %d packets unanswered", e.v, v.now.hopLoss.lost, v.hopSent)
	}
	return ""
}

// basis says what the verdict rests on.
func (v view) basis() string {
	s := " (" + plural(v.rounds, "round")
	if v.normalRounds >= LeastRounds {
		s += fmt.Sprintf(" against %d normal ones", v.normalRounds)
	} else {
		s += " against stated limits, no normal rounds being known"
	}
	for _, n := range []struct {
		name   string
		ms     []float64
		stated float64
	}{{"the hop", v.normal.hop, v.limits.HopMs}, {"the uplink", v.normal.beyond, v.limits.BeyondMs}} {
		if e, ok := trimmed(n.ms); ok && e.v > n.stated {
			s += fmt.Sprintf("; what is normal of %s, %.0f ms, is itself above %.0f ms", n.name, e.v, n.stated)
		}
	}
	for _, n := range []struct {
		name string
		c    count
	}{{"the hop", v.normal.hopLoss}, {"the whole way", v.normal.endLoss}} {
		if n.c.sent > 0 && n.c.lost < n.c.sent && n.c.ratio() > v.limits.LossRatio {
			s += fmt.Sprintf("; what is normal of %s, %.0f %% loss, is itself above %.0f %%", n.name, 100*n.c.ratio(), 100*v.limits.LossRatio)
		}
	}
	return s + ")"
}
