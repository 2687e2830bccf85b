package plan

import (
	"cmp"
	"math"
	"slices"
	"time"
)

// Evaluate answers the plan.
func (p Plan) Evaluate() Report {
	r := Report{Name: p.Name, Site: p.Site, NeedS: p.Need.Seconds(), Arrangements: []Result{}, Places: []PlaceResult{}, Relays: []RelayResult{}, Guide: []string{}}
	for _, a := range p.Arrangements {
		r.Arrangements = append(r.Arrangements, p.arrangement(a))
	}
	for _, x := range p.Places {
		r.Places = append(r.Places, x.Loss())
	}
	for _, x := range p.Relays {
		r.Relays = append(r.Relays, x.Compare())
	}
	if len(p.Places)+len(p.Relays) > 0 {
		r.Guide = PlacementGuide()
	}
	p.recommend(&r)
	r.Cautions, r.Rules = p.cautions(), p.rules()
	return r
}

func (p Plan) arrangement(a Arrangement) Result {
	r := Result{Name: a.Name, Backhaul: a.Backhaul, Verdict: Runs, UpRatio: 1, Feeds: []FeedResult{}}
	var banks []*bank
	why, room := "", math.Inf(1)
	for _, f := range a.Feeds {
		if p.Wet {
			r.OverWetV = max(r.OverWetV, f.overWetV())
		}
		e := f.Evaluate()
		r.Feeds = append(r.Feeds, e)
		for _, x := range f.Path {
			if l, ok := x.(Load); ok {
				r.UpRatio = min(r.UpRatio, l.Duty)
			}
		}
		if rank(e.Verdict) > rank(r.Verdict) {
			r.Verdict, why, room = e.Verdict, e.Why, 0
			r.FailsFirst, r.FailsFirstWhy = e.FailsFirst, e.FailsWhy
		}
		if e.headroom < room {
			room, r.FailsFirst, r.FailsFirstWhy = e.headroom, e.FailsFirst, e.FailsWhy
		}
		if e.MeanW == nil {
			continue
		}
		r.MeanW += *e.MeanW
		if e.Endurance == nil {
			continue
		}
		if r.PerPack == nil || e.Endurance.Low < r.PerPack.Low {
			first := *e.Endurance
			r.PerPack = &first
		}
		i := slices.IndexFunc(banks, func(b *bank) bool { return b.source.Name == f.Source.Name })
		if i < 0 {
			banks = append(banks, &bank{source: f.Source})
			i = len(banks) - 1
		}
		banks[i].feeds = append(banks[i].feeds, drawn{*e.MeanW, *e.Endurance})
		banks[i].inUse += float64(max(f.Source.Together, 1))
	}
	for _, b := range banks {
		onHand := float64(max(b.source.Count, 1))
		total := b.feeds[0].lasts
		if b.source.Kind == PackSource {
			if b.inUse > onHand {
				r.Verdict, why = WillNotRun, sprintf("%.0f of %s are in use at once, %.0f on hand", b.inUse, b.source.Name, onHand)
				r.FailsFirst, r.FailsFirstWhy = b.source.Name, why
			}
			total = b.total(onHand, p.Stock.Ahead)
		}
		if r.Endurance == nil || total.Low < r.Endurance.Low {
			r.Endurance = &total
			if p.Need > 0 && total.Low > 0 && b.source.Kind == PackSource {
				n := b.inUse
				for n < mostPacks && b.total(n, p.Stock.Ahead).Low < p.Need {
					n++
				}
				r.PacksFor = &n
			}
		}
	}
	if r.Verdict == WillNotRun || r.Verdict == NotSafe {
		r.PacksFor = nil
	}
	if r.Verdict == Runs {
		r.ends(a)
	}
	r.Answer = r.answer(a, why)
	return r
}

// bank is the packs of one kind and the feeds that draw on them.
type bank struct {
	source Source
	inUse  float64 // packs at once
	feeds  []drawn
}

// drawn is one feed's mean power and what one pack (or packs together) lasts on it.
type drawn struct {
	w     float64
	lasts Range
}

// mostPacks bounds the search for the packs that are needed.
const mostPacks = 1000

// total is how long so many packs last, each but the last taken out ahead of its end:
// what it still holds then is lost, the more the sooner a feed empties its packs.
func (b *bank) total(onHand float64, ahead time.Duration) Range {
	f := func(of func(Range) time.Duration) time.Duration {
		var w float64
		for _, x := range b.feeds {
			l := of(x.lasts).Hours()
			w += x.w * l / math.Max(l-ahead.Hours(), 0.05*l)
		}
		first := b.feeds[0]
		wh := first.w * of(first.lasts).Hours() / float64(max(b.source.Together, 1)) // of one pack
		return hours(onHand*wh/w) + ahead
	}
	return Range{f(func(r Range) time.Duration { return r.Low }), f(func(r Range) time.Duration { return r.Expected }), f(func(r Range) time.Duration { return r.High })}
}

// ends says what runs out first, and apart from that what gives way as load grows.
func (r *Result) ends(a Arrangement) {
	switch {
	case r.Endurance == nil:
		r.EndsFirst = "the supply, when it fails"
	case slices.ContainsFunc(a.Feeds, func(f Feed) bool { return f.Source.Kind == PackSource }):
		r.EndsFirst = "packs, " + Span(r.Endurance.Low) + " at least"
	default:
		r.EndsFirst = "fuel, " + Span(r.Endurance.Low) + " at least"
	}
	room := float64(mostScale)
	for i, e := range r.Feeds {
		if e.UnusedRatio >= noticeUnused {
			r.EndsFirst += sprintf("; %s ends it with the pack at %s, %s of the charge unused", e.StopsBy, volts(e.StopsAtV), percent(e.UnusedRatio))
		}
		if e.headroom < room {
			w := e.headroom * sum(a.Feeds[i].full())
			room, r.GrowthLimit, r.GrowthLimitW = e.headroom, e.grows, &w
		}
	}
}

func rank(v Verdict) int {
	return slices.Index([]Verdict{Runs, MayNotStart, NotSafe, WillNotRun}, v)
}

func (r Result) answer(a Arrangement, why string) string {
	if r.Verdict != Runs {
		return r.Verdict.words() + ": " + why
	}
	if r.Endurance == nil {
		var names []string
		for _, f := range a.Feeds {
			if !slices.Contains(names, f.Source.Name) {
				names = append(names, f.Source.Name)
			}
		}
		return "runs: as long as " + list(names) + " holds; nothing is in reserve"
	}
	out := "runs: " + r.Endurance.String()
	packs := 0
	for _, f := range a.Feeds {
		if f.Source.Kind == PackSource {
			packs = max(packs, f.Source.Count)
		}
	}
	if packs > 1 && r.PerPack != nil {
		out += sprintf(" on the packs on hand; first swap within %s", Span(r.PerPack.Low))
	}
	if r.UpRatio < 1 {
		out += sprintf("; everything on for only %s of the time", percent(r.UpRatio))
	}
	if r.OverWetV > 0 {
		out += sprintf("; not for the wet as drawn: %s, above %s, must stay dry and out of reach", volts(r.OverWetV), volts(WetV))
	}
	return out
}

// score orders the arrangements that run; each entry outweighs those after it.
func (p Plan) score(r Result) []float64 {
	bit := func(b bool) float64 {
		if b {
			return 1
		}
		return 0
	}
	low := math.Inf(1)
	if r.Endurance != nil {
		low = r.Endurance.Low.Hours()
	}
	meets := low >= p.Need.Hours()
	if !meets {
		return []float64{0, low}
	}
	room := math.Inf(1)
	for _, f := range r.Feeds {
		room = min(room, f.headroom)
	}
	hop := map[Backhaul]float64{BackhaulShared: 1, BackhaulUnknown: 2, BackhaulWireless: 2, BackhaulCable: 3}[r.Backhaul]
	if p.Need == 0 {
		hop = 0 // endurance is all that was asked
	}
	return []float64{1, bit(r.OverWetV == 0), bit(r.UpRatio >= 1), bit(room >= 1.1), hop, low}
}

// overWetV is the highest voltage of the feed's stretches above WetV; 0 for none.
func (f Feed) overWetV() (most float64) {
	_, _, high := f.Source.volts()
	for _, s := range f.stretches() {
		if s.feeder < 0 && f.Source.Alternating() {
			continue // mains is licensed people's, and has its own cautions
		}
		if head := f.headV(s.feeder, high); head > WetV {
			most = max(most, head)
		}
	}
	return most
}

func (p Plan) recommend(r *Report) {
	var order []int
	for i, a := range r.Arrangements {
		if a.Verdict == Runs {
			order = append(order, i)
		}
	}
	slices.SortStableFunc(order, func(a, b int) int {
		return slices.CompareFunc(p.score(r.Arrangements[b]), p.score(r.Arrangements[a]), cmp.Compare[float64])
	})
	switch {
	case len(r.Arrangements) == 0:
		r.Answer, r.Reason = "nothing to run: the plan has no arrangement", "There is nothing to compare."
		return
	case len(order) == 0:
		best := 0
		for i, a := range r.Arrangements { // the one nearest to running is said
			if rank(a.Verdict) < rank(r.Arrangements[best].Verdict) {
				best = i
			}
		}
		r.Answer, r.Reason = r.Arrangements[best].Answer, "Do not build it as drawn."
		if len(r.Arrangements) > 1 {
			r.Reason = "None of them is to be built as drawn."
		}
		return
	}
	best := r.Arrangements[order[0]]
	r.Recommended, r.Answer = best.Name, best.Answer
	r.Reason = p.because(best)
	if len(r.Arrangements) > 1 {
		r.Answer += sprintf(" [%s]", best.Name)
	}
	for i, a := range r.Arrangements {
		if i != order[0] {
			r.Reason += " " + p.against(best, a)
		}
	}
}

// because says what speaks for the best.
func (p Plan) because(a Result) string {
	switch {
	case a.Endurance == nil:
		return "It runs from a supply; keep a pack ready for when that fails."
	case p.Need == 0:
		return sprintf("It lasts at least %s (low figure). State how long it is needed to have that weighed.", Span(a.Endurance.Low))
	case a.Endurance.Low >= p.Need:
		return sprintf("It lasts at least %s (low figure) against the %s needed.", Span(a.Endurance.Low), Span(p.Need))
	}
	out := sprintf("None lasts the %s needed by its low figure; this comes nearest with %s.", Span(p.Need), Span(a.Endurance.Low))
	if a.PacksFor != nil {
		out += sprintf(" It would take %.0f packs.", *a.PacksFor)
	}
	return out
}

// against says why another was not taken.
func (p Plan) against(best, a Result) string {
	name := `"` + a.Name + `" `
	if a.Verdict != Runs {
		return name + a.Verdict.words() + "."
	}
	s, t := p.score(best), p.score(a)
	at := 0
	for at < min(len(s), len(t))-1 && s[at] == t[at] {
		at++
	}
	low := "as long as its supply holds"
	if a.Endurance != nil {
		low = Span(a.Endurance.Low)
	}
	switch {
	case t[0] == 0:
		return name + sprintf("lasts only %s.", low)
	case at == 1:
		return name + sprintf("brings %s to where it is wet.", volts(a.OverWetV))
	case at == 2:
		return name + sprintf("is fully on for only %s of the time.", percent(a.UpRatio))
	case at == 3:
		return name + sprintf("has less than a tenth of its load in hand (%s).", a.FailsFirst)
	case at == 4 && a.Backhaul == BackhaulShared:
		return name + "lets users and backhaul share one channel."
	case at == 4:
		return name + sprintf("lasts %s, but has no cable as backhaul.", low)
	}
	return name + sprintf("lasts no longer (%s).", low)
}
