package plan

import (
	"errors"
	"math"
	"slices"
	"strconv"
	"time"
)

// Stock is what is known of the packs on hand beyond their number.
type Stock struct {
	Packs        []StockPack // empty: all that the sources count, full
	ChargerW     float64
	ChargerAfter time.Duration // until there is power for the charger
	Ahead        time.Duration // see Duty
	Lead         time.Duration
}

// StockPack is one pack of a kind that Source names.
type StockPack struct {
	Name, Source string
	Charge       float64
	Health       float64 // 0 takes the source's
	TempC        float64 // only where TempKnown; otherwise the source's
	TempKnown    bool
	RestV        float64
	RestKnown    bool
	Uses         int
	InUse        bool
}

// ErrNoPacks says that there is nothing to rotate.
var ErrNoPacks = errors.New("the arrangement draws on no pack")

// Duty is the rotation of the packs by the arrangement of that name in r, from
// now on; ErrNoPacks where it does not run or draws on no pack.
func (p Plan) Duty(r Report, arrangement string, now time.Time) (Duty, error) {
	at := slices.IndexFunc(r.Arrangements, func(a Result) bool { return a.Name == arrangement })
	if at < 0 || r.Arrangements[at].Verdict != Runs {
		return Duty{}, ErrNoPacks
	}
	d := Duty{Now: now, Ahead: p.Stock.Ahead, Lead: p.Stock.Lead, Charger: Charger{PowerW: p.Stock.ChargerW}}
	if p.Stock.ChargerAfter > 0 {
		d.Charger.From = now.Add(p.Stock.ChargerAfter)
	}
	var feeds []FeedResult
	for i, f := range r.Arrangements[at].Feeds {
		if f.source.Kind != PackSource || f.MeanW == nil || f.Endurance == nil {
			continue
		}
		if len(feeds) > 0 && feeds[0].Source != f.Source {
			return Duty{}, errors.New("its feeds use different kinds of pack: plan the swaps of each by itself")
		}
		d.Draws = append(d.Draws, Draw{Feed: feedName(r.Arrangements[at], i), LoadW: *f.MeanW})
		feeds = append(feeds, f)
		if e := f.Endurance; e.Low > 0 {
			d.Down = math.Max(d.Down, math.Log(e.Expected.Hours()/e.Low.Hours()))
		}
	}
	if len(feeds) == 0 {
		return Duty{}, ErrNoPacks
	}
	d.Packs = p.onHand(feeds[0], d.Draws)
	return d, nil
}

// feedName tells feeds of one source apart by their last load.
func feedName(a Result, i int) string {
	for j := len(a.Feeds[i].Elements) - 1; j >= 0; j-- {
		if e := a.Feeds[i].Elements[j]; e.Kind == "load" {
			return e.Name
		}
	}
	return a.Feeds[i].Source
}

func (p Plan) onHand(f FeedResult, draws []Draw) []OnHand {
	s := f.source
	var out []OnHand
	listed := slices.ContainsFunc(p.Stock.Packs, func(x StockPack) bool { return x.Source == s.Name })
	if !listed {
		for i := range max(s.Count, 1) / max(s.Together, 1) {
			o := OnHand{Name: s.Name + " " + strconv.Itoa(i+1), Chemistry: s.Chemistry, SeriesCells: s.SeriesCells,
				UsableWh: s.UsableWh(f.StopsAtV, *f.MeanW), Charge: 1, TempC: s.TempC, TempKnown: s.TempKnown}
			if i < len(draws) {
				o.Feed = draws[i].Feed
			}
			out = append(out, o)
		}
		return out
	}
	next := 0
	for _, x := range p.Stock.Packs {
		if x.Source != s.Name {
			continue
		}
		t := s
		t.Together = 1
		if x.Health > 0 {
			t.Health = x.Health
		}
		if x.TempKnown {
			t.TempC, t.TempKnown = x.TempC, true
		}
		o := OnHand{Name: x.Name, Chemistry: s.Chemistry, SeriesCells: s.SeriesCells, UsableWh: t.UsableWh(f.StopsAtV, *f.MeanW),
			Charge: x.Charge, TempC: t.TempC, TempKnown: t.TempKnown, RestV: x.RestV, RestKnown: x.RestKnown, Uses: x.Uses}
		if x.InUse && next < len(draws) {
			o.Feed = draws[next].Feed
			next++
		}
		out = append(out, o)
	}
	return out
}
