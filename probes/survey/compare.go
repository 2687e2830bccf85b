package survey

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"candlemark/probes"
)

// Compare works a survey out. It judges nothing before all declared rounds are made.
func Compare(s Survey) Report {
	p := s.Plan
	r := Report{
		Name: p.Name, Place: p.Place, Arrangements: p.Arrangements, Order: p.Order, Section: p.Section, Primary: p.Primary,
		Threshold: p.Threshold, LossShare: p.LossShare, Begun: p.Made, Declared: len(p.Slots()), Made: len(s.Rounds),
		Extended: s.Extended, Ignored: s.Ignored,
	}
	for _, round := range s.Rounds {
		r.Bytes += round.Bytes
	}
	r.Drift = drifts(s)
	for other := 1; other < len(p.Arrangements); other++ {
		c := Comparison{Base: Letter(0), Other: Letter(other)}
		for _, q := range Questions() {
			c.Answers = append(c.Answers, answer(s, q, other))
		}
		r.Comparisons = append(r.Comparisons, c)
	}
	correct(r.Comparisons)
	for i := range r.Comparisons {
		for j := range r.Comparisons[i].Answers {
			a := &r.Comparisons[i].Answers[j]
			a.judge(p, r)
		}
	}
	r.Cautions = cautions(r)
	return r
}

// valueOf finds a round's figure.
func valueOf(r Round, section probes.Section, q Question) (Figure, bool) {
	for _, f := range r.Figures {
		if f.Section == section && f.Question == q {
			return f, true
		}
	}
	return Figure{}, false
}

// answer computes one question, without a verdict.
func answer(s Survey, q Question, other int) Answer {
	p := s.Plan
	a := Answer{Question: q, Primary: q == p.Primary, Unit: q.Unit(), leastP: 1, P: 1, PCorrected: 1}
	k := len(p.Arrangements)
	pairs := map[int][2]*float64{}
	var blocks []int
	for _, r := range s.Rounds {
		if r.Arrangement != 0 && r.Arrangement != other {
			continue
		}
		f, found := valueOf(r, p.Section, q)
		if !found || !f.Known {
			a.Unknown++
			if a.UnknownWhy == "" {
				a.UnknownWhy = "not measured"
				if f.Why != "" {
					a.UnknownWhy = f.Why
				}
			}
			continue
		}
		block := r.Slot / k
		pair, seen := pairs[block]
		if !seen {
			blocks = append(blocks, block)
		}
		v := f.Value
		side := min(r.Arrangement, 1)
		a.lost[side], a.sent[side] = a.lost[side]+int(f.Lost), a.sent[side]+int(f.Samples)
		if r.Arrangement == 0 {
			a.BaseValues, pair[0] = append(a.BaseValues, v), &v
		} else {
			a.OtherValues, pair[1] = append(a.OtherValues, v), &v
		}
		pairs[block] = pair
	}
	if len(a.BaseValues) == 0 || len(a.OtherValues) == 0 {
		return a
	}
	a.BaseMedian, a.OtherMedian = median(a.BaseValues), median(a.OtherValues)
	a.Matters = p.Threshold * a.BaseMedian
	if q == Loss {
		a.Matters = p.LossShare
	}
	var shift Shift
	var test Test
	if p.Order == Counterbalanced {
		var differences []float64
		for _, b := range blocks {
			if pair := pairs[b]; pair[0] != nil && pair[1] != nil {
				differences = append(differences, *pair[1]-*pair[0])
			}
		}
		if a.Pairs = len(differences); a.Pairs == 0 {
			return a
		}
		shift, test = PairedShift(differences, 1-alpha), SignedRank(differences)
		a.scatter, a.df = spread(differences), a.Pairs-1
	} else {
		shift, test = UnpairedShift(a.BaseValues, a.OtherValues, 1-alpha), RankSum(a.BaseValues, a.OtherValues)
		n, m := len(a.BaseValues), len(a.OtherValues)
		if n > 1 && m > 1 {
			a.df = n + m - 2
			a.scatter = math.Sqrt((float64(n-1)*math.Pow(spread(a.BaseValues), 2) + float64(m-1)*math.Pow(spread(a.OtherValues), 2)) / float64(a.df))
		}
	}
	a.Compared = true
	a.Difference, a.Lower, a.Upper, a.Level, a.Bounded = shift.Estimate, shift.Lower, shift.Upper, shift.Level, shift.Bounded
	a.Test, a.P, a.PCorrected, a.Exact, a.Tied, a.leastP = test.Name, test.P, test.P, test.Exact, test.Tied, test.LeastP
	return a
}

// settle plans the rounds that are still needed.
func (a *Answer) settle(order Order) {
	have, paired := a.Pairs, true
	if order == InRuns {
		have, paired = min(len(a.BaseValues), len(a.OtherValues)), false
	}
	least := leastPairs
	if !paired {
		least = leastRounds
	}
	least = max(least-have, 1)
	n, ok := needed(a.scatter, a.Difference, a.Matters, a.df, have, paired)
	if !ok {
		if a.tooFew(order) {
			a.Because += fmt.Sprintf("; at least %s of each must be made", plural(least, "more round"))
			a.MoreKnown, a.More, a.MoreLow, a.MoreHigh = true, least, least, least
		}
		return
	}
	a.MoreKnown = true
	a.More, a.MoreLow, a.MoreHigh = max(n.Rounds-have, least), max(n.Low-have, least), max(n.High-have, least)
	if a.MoreLow == a.MoreHigh {
		a.Because += fmt.Sprintf("; %s of each would settle it", plural(a.More, "more round"))
		return
	}
	a.Because += fmt.Sprintf("; %d to %d more rounds of each would settle it, most likely about %d", a.MoreLow, a.MoreHigh, a.More)
}

// correct applies Holm (1979) to the primary tests, of which there is one for each
// further arrangement, and apart from them to all others together.
func correct(all []Comparison) {
	for _, primary := range []bool{true, false} {
		var family []*Answer
		for i := range all {
			for j := range all[i].Answers {
				if a := &all[i].Answers[j]; a.Primary == primary && a.Compared {
					family = append(family, a)
				}
			}
		}
		slices.SortStableFunc(family, func(a, b *Answer) int { return cmp.Compare(a.P, b.P) })
		least := 0.0
		for i, a := range family {
			least = max(least, min(1, a.P*float64(len(family)-i)))
			a.PCorrected = least
		}
	}
}

// judge gives the verdict and its sentence.
func (a *Answer) judge(p Plan, r Report) {
	a.Verdict = CannotTell
	switch {
	case !a.Compared && a.UnknownWhy != "":
		a.Because = "because there is nothing to compare: " + a.UnknownWhy
	case !a.Compared:
		a.Because = "because no rounds were made of both arrangements"
	case r.Made < r.Declared:
		a.Because = fmt.Sprintf("because only %d of the %d declared rounds were made; a verdict before the declared end would favour luck", r.Made, r.Declared)
	case a.tooFew(p.Order):
		a.Because = "because " + a.fewWords(p.Order)
		a.settle(p.Order)
	case !(a.Matters > 0):
		a.Because = "because the median of A is 0, so no share of it can matter"
	case p.Order == InRuns && r.driftShown():
		a.Because = "because the link drifted during the survey and the rounds were made in runs, so drift and arrangement look alike; a survey in the counterbalanced order would tell"
	default:
		a.weigh(p)
	}
}

// weigh is the verdict of a finished survey with enough values.
func (a *Answer) weigh(p Plan) {
	shown := a.PCorrected <= alpha && a.Difference != 0
	inside := a.Bounded && a.Lower > -a.Matters && a.Upper < a.Matters
	reaches := a.Bounded && (a.Difference > 0 && a.Upper >= a.Matters || a.Difference < 0 && a.Lower <= -a.Matters)
	switch {
	case shown && reaches:
		a.Verdict = Worse
		if (a.Difference > 0) == a.Question.MoreIsBetter() {
			a.Verdict = Better
		}
		a.Because = "the difference is " + a.amount()
	case inside && a.Question == Loss && !a.lossExcluded():
		a.Because = fmt.Sprintf("because the packets lost and sent do not exclude a difference of %.2g %%; more packets a round, or more rounds, would tell", 100*a.Matters)
	case inside && shown:
		a.Verdict = NoDifference
		a.Because = "there is a difference, " + a.amount() + ", but one that matters, " + a.matters(p) + ", is excluded"
	case inside:
		a.Verdict = NoDifference
		a.Because = "one that matters, " + a.matters(p) + ", is excluded: " + a.amount()
	default:
		a.Because = "because neither a difference nor the lack of one is shown: " + a.amount()
		if shown { // it is there, but its interval does not reach what matters on its side
			a.Because = "because a difference is there, but not whether it is as large as matters: " + a.amount()
		}
		if a.PCorrected > alpha && a.P <= alpha {
			a.Because += "; alone it would be shown, among so many questions it is not"
		}
		a.settle(p.Order)
	}
}

// tooFew says that no test at 5 % could show a difference, whatever the figures.
// Pairs that are alike count: they speak for no difference.
func (a *Answer) tooFew(order Order) bool {
	if order == InRuns {
		return a.leastP > alpha
	}
	return a.Pairs < leastPairs
}

func (a *Answer) fewWords(order Order) string {
	if order == InRuns {
		return fmt.Sprintf("%d and %d rounds cannot show a difference at 5 %%, whatever the figures; at least %d of each can", len(a.BaseValues), len(a.OtherValues), leastRounds)
	}
	return fmt.Sprintf("%s cannot show a difference at 5 %%, whatever the figures; at least %d can", plural(a.Pairs, "pair"), leastPairs)
}

// lossExcluded looks at the packets themselves, which rounds without loss say little
// of: the interval of the difference of two ratios (Newcombe 1998, method 10).
func (a *Answer) lossExcluded() bool {
	la, ua, okA := probes.Wilson(a.lost[0], a.sent[0], probes.Z95)
	lb, ub, okB := probes.Wilson(a.lost[1], a.sent[1], probes.Z95)
	if !okA || !okB {
		return false
	}
	pa, pb := float64(a.lost[0])/float64(a.sent[0]), float64(a.lost[1])/float64(a.sent[1])
	lower := pb - pa - math.Hypot(pb-lb, ua-pa)
	upper := pb - pa + math.Hypot(ub-pb, pa-la)
	return lower > -a.Matters && upper < a.Matters
}
