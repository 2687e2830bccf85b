package quality

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// path is a hop and an uplink with a wandering delay, for injecting faults. It
// knows nothing of how Attribute judges.
type path struct {
	r                            *rand.Rand
	hopMs, beyondMs              float64 // medians, idle
	hopRise, beyondRise          float64 // under load
	hopLoss, beyondLoss          float64
	hopNoise, endNoise           float64 // standard deviation of a round's median, ms
	keep, hopWander, beyondWandr float64 // share of the noise that one round hands to the next
	blind                        bool
}

const packets = 20

// noise is three parts of four normal and else exponential: radio links have long tails.
func (p *path) noise(sd float64) float64 {
	if p.r.Float64() < 0.75 {
		return sd * p.r.NormFloat64()
	}
	return sd * (p.r.ExpFloat64() - 1)
}

func (p *path) round() Round {
	p.hopWander = p.keep*p.hopWander + math.Sqrt(1-p.keep*p.keep)*p.noise(p.hopNoise)
	p.beyondWandr = p.keep*p.beyondWandr + math.Sqrt(1-p.keep*p.keep)*p.noise(p.endNoise)
	lost := func(ratio float64) (n int) {
		for range packets {
			if p.r.Float64() < ratio {
				n++
			}
		}
		return n
	}
	look := func(ms, ratio float64) Look {
		l := Look{Lost: lost(ratio), Sent: packets}
		if l.Lost < l.Sent {
			l.RTTMs = Known(max(ms, 0.1))
		}
		return l
	}
	through := 1 - (1-p.hopLoss)*(1-p.beyondLoss)
	end := p.hopMs + p.beyondMs
	round := Round{
		Hop: look(p.hopMs+p.hopWander, p.hopLoss), End: look(end+p.beyondWandr, through),
		HopLoaded: look(p.hopMs+p.hopRise+p.noise(p.hopNoise), p.hopLoss), EndLoaded: look(end+p.hopRise+p.beyondRise+p.noise(p.endNoise), through),
	}
	if p.blind {
		round.Hop = Look{Sent: packets, Lost: packets}
		round.HopLoaded = Look{}
	}
	return round
}

func (p *path) rounds(n int) []Round {
	all := make([]Round, n)
	for i := range all {
		all[i] = p.round()
	}
	return all
}

type injected struct {
	name  string
	truth Place
	parts []fault
}

// fault injects one and gives its size over the noise, the standard deviation of a
// round's figure.
type fault func(p *path, l Limits) (ratio float64)

func logBetween(r *rand.Rand, low, high float64) float64 {
	return low * math.Exp(r.Float64()*math.Log(high/low))
}

func hopSlow(p *path, l Limits) float64 {
	size := max(l.DelayMs, l.DelayShare*p.hopMs) * logBetween(p.r, 1, 10)
	p.hopMs += size
	return size / math.Hypot(p.hopNoise, p.endNoise)
}

func hopLossy(p *path, _ Limits) float64 {
	p.hopLoss = logBetween(p.r, 0.06, 0.5)
	return p.hopLoss / math.Sqrt(p.hopLoss*(1-p.hopLoss)/packets)
}

func uplinkSlow(p *path, l Limits) float64 {
	size := max(l.DelayMs, l.DelayShare*p.beyondMs) * logBetween(p.r, 1, 10)
	p.beyondMs += size
	return size / math.Hypot(p.hopNoise, p.endNoise)
}

func uplinkBloated(p *path, l Limits) float64 {
	size := l.RiseMs * logBetween(p.r, 1, 20)
	p.beyondRise += size
	return size / (math.Sqrt2 * math.Hypot(p.hopNoise, p.endNoise))
}

// verdictOf says where the fault lies, after what was normal and then the fault.
type verdictOf func(normal, now []Round) Attribution

// The faults of the plan. Magnitudes are drawn from what Limits calls a fault up
// to ten or twenty times that; the noise from a twentieth of it to all of it.
func TestAttributionOverInjectedFaults(t *testing.T) {
	runs := 600
	if testing.Short() {
		runs = 150
	}
	confusion(t, runs, func(normal, now []Round) Attribution { return Attribute(now, normal, DefaultLimits()) })
}

// The same live: what is normal is learnt from the rounds.
func TestLiveAttributionOverInjectedFaults(t *testing.T) {
	runs := 100
	if testing.Short() {
		runs = 30
	}
	confusion(t, runs, func(normal, now []Round) Attribution {
		var tr Tracker
		for _, r := range normal {
			tr.Add(r)
		}
		for _, r := range now {
			tr.Add(r)
		}
		return tr.Last()
	})
}

type tally struct{ runs, wrong, clear, unsure int }

func (a *tally) add(b tally) {
	a.runs, a.wrong, a.clear, a.unsure = a.runs+b.runs, a.wrong+b.wrong, a.clear+b.clear, a.unsure+b.unsure
}

func share(k, n int) float64 { return float64(k) / float64(max(n, 1)) }

func confusion(t *testing.T, runs int, judge verdictOf) {
	places := []Place{NoFault, LocalHop, TheUplink, BothParts, PlaceUnsure}
	faults := []injected{
		{"none", NoFault, nil},
		{"hop slow", LocalHop, []fault{hopSlow}},
		{"hop lossy", LocalHop, []fault{hopLossy}},
		{"uplink slow", TheUplink, []fault{uplinkSlow}},
		{"uplink bufferbloated", TheUplink, []fault{uplinkBloated}},
		{"both", BothParts, nil}, // two, drawn anew each time
		{"hop unmeasurable", PlaceUnsure, nil},
	}
	var log strings.Builder
	var all tally
	fmt.Fprintf(&log, "%-22s", "injected \\ said")
	for _, p := range places {
		fmt.Fprintf(&log, "%16s", p)
	}
	fmt.Fprintf(&log, "%10s%30s\n", "wrong", "cannot tell, fault >= 2 sd")
	for i, f := range faults {
		said := map[Place]int{}
		var here tally
		for seed := range runs {
			got, ratio := f.run(rand.New(rand.NewPCG(uint64(i), uint64(seed))), judge)
			said[got.Place]++
			here.runs++
			if got.Place != f.truth && got.Place != PlaceUnsure {
				here.wrong++
				if here.wrong <= 3 {
					t.Logf("wrong: %s of %.1f times the noise: %s: %s", f.name, ratio, got.Place, got.Evidence)
				}
			}
			if ratio >= 2 && f.truth != PlaceUnsure {
				here.clear++
				if got.Place == PlaceUnsure {
					here.unsure++
				}
			}
		}
		all.add(here)
		fmt.Fprintf(&log, "%-22s", f.name)
		for _, p := range places {
			fmt.Fprintf(&log, "%16d", said[p])
		}
		fmt.Fprintf(&log, "%9.1f%%%18.1f%% of %d\n", 100*share(here.wrong, here.runs), 100*share(here.unsure, here.clear), here.clear)
	}
	t.Logf("\n%swrong %.2f %% of %d (limit 3 %%); cannot tell %.2f %% of %d with a fault of twice the noise or more (limit 15 %%)",
		log.String(), 100*share(all.wrong, all.runs), all.runs, 100*share(all.unsure, all.clear), all.clear)
	if share(all.wrong, all.runs) > 0.03 {
		t.Error("too many verdicts are wrong")
	}
	if share(all.unsure, all.clear) > 0.15 {
		t.Error("too often it cannot tell")
	}
}

// run draws a path, injects the fault, and gives the verdict and the least fault over the noise.
func (f injected) run(r *rand.Rand, judge verdictOf) (a Attribution, ratio float64) {
	l := DefaultLimits()
	p := &path{
		r: r, hopMs: logBetween(r, 1, 30), beyondMs: logBetween(r, 15, 600), hopRise: 5 * r.Float64(), beyondRise: 40 * r.Float64(),
		hopLoss: 0.01 * r.Float64(), beyondLoss: 0.01 * r.Float64(), keep: 0.2 * r.Float64(), blind: f.truth == PlaceUnsure,
	}
	least := max(l.DelayMs, l.DelayShare*p.hopMs)
	noise := least * logBetween(r, 0.05, 1)
	p.hopNoise = noise * math.Sqrt(0.2+0.6*r.Float64())
	p.endNoise = math.Sqrt(noise*noise - p.hopNoise*p.hopNoise)
	normal := p.rounds(DefaultNormal)
	parts := f.parts
	switch f.truth {
	case BothParts:
		pairs := [][]fault{{hopSlow, uplinkSlow}, {hopSlow, uplinkBloated}, {hopLossy, uplinkSlow}, {hopLossy, uplinkBloated}}
		parts = pairs[r.IntN(len(pairs))]
	case PlaceUnsure:
		one := []fault{hopSlow, hopLossy, uplinkSlow, uplinkBloated}
		parts = one[r.IntN(len(one)):][:1]
	}
	ratio = math.Inf(1)
	if len(parts) == 0 {
		ratio = least / noise // of the least that would be a fault
	}
	for _, inject := range parts {
		ratio = min(ratio, inject(p, l))
	}
	return judge(normal, p.rounds(DefaultWindow)), ratio
}
