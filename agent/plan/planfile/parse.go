package planfile

import (
	_ "embed"
	"fmt"
	"slices"
	"strings"

	"candlemark/agent/config"
	"candlemark/agent/pack"
	"candlemark/agent/plan"
)

//go:embed example.yaml
var example string

// Example is a commented plan that Parse accepts.
func Example() []byte { return []byte(example) }

// The bounds of a plan, so that no file can keep the program busy for long.
const mostArrangements, mostFeeds, mostPath, mostLoads = 12, 6, 30, 12

// Parse reads and checks a plan; name stands for the file in faults. Its error is
// a *config.Faults.
func Parse(data []byte, name string) (plan.Plan, error) {
	r := reader{elements: map[string]plan.Element{}, sources: map[string]plan.Source{}}
	var p plan.Plan
	err := config.Decode(data, name, &r.file, func(report func(key, what, remedy string)) {
		r.report = report
		p = r.plan()
	})
	if err != nil {
		return plan.Plan{}, err
	}
	return p, nil
}

type reader struct {
	file     file
	report   func(key, what, remedy string)
	elements map[string]plan.Element
	sources  map[string]plan.Source
	names    []string // of elements, in the file's order
}

// known says whether name was taken before, and complains.
func (r *reader) taken(key, name string) bool {
	_, element := r.elements[name]
	_, source := r.sources[name]
	if element || source {
		r.report(key+".name", fmt.Sprintf("%q is already the name of something else", name), "give each thing a name of its own")
	}
	return element || source
}

func (r *reader) add(key, name string, e plan.Element) {
	if name != "" && !r.taken(key, name) {
		r.elements[name] = e
		r.names = append(r.names, name)
	}
}

func (r *reader) plan() plan.Plan {
	f := &r.file
	p := plan.Plan{Name: f.Name, Site: f.Site, Need: f.Need, Wet: f.Wet}
	r.readSources()
	r.readElements()
	for i, a := range f.Arrangements {
		p.Arrangements = append(p.Arrangements, r.arrangement(fmt.Sprintf("arrangements[%d]", i), a))
	}
	if len(f.Arrangements) > mostArrangements {
		r.report("arrangements", fmt.Sprintf("has more than %d entries", mostArrangements), "split the plan")
	}
	for i, x := range f.Arrangements {
		if slices.ContainsFunc(f.Arrangements[:i], func(y arrangement) bool { return y.Name == x.Name }) {
			r.report(fmt.Sprintf("arrangements[%d].name", i), "two arrangements have this name", "give each one of its own")
		}
	}
	r.readRadio(&p)
	r.readStock(&p)
	if len(f.Arrangements)+len(f.Places)+len(f.Relays) == 0 {
		r.report("arrangements", "is missing, and there are no places or relays either", `add one; "candlemark plan example" writes a file to start from`)
	}
	return p
}

func (r *reader) arrangement(key string, a arrangement) plan.Arrangement {
	out := plan.Arrangement{Name: a.Name, Backhaul: plan.Backhaul(a.Backhaul)}
	if len(a.Feeds) > mostFeeds {
		r.report(key+".feeds", fmt.Sprintf("has more than %d entries", mostFeeds), "split the arrangement")
		return out
	}
	for i, f := range a.Feeds {
		at := fmt.Sprintf("%s.feeds[%d]", key, i)
		source, ok := r.sources[f.Source]
		if !ok {
			r.report(at+".source", fmt.Sprintf("no pack or supply is called %q", f.Source), r.choice(r.sourceNames()))
		}
		out.Feeds = append(out.Feeds, plan.Feed{Source: source, FuseA: float64(deref(f.Fuse)), Path: r.path(at, f.Path)})
	}
	return out
}

func (r *reader) path(key string, names []string) []plan.Element {
	if len(names) > mostPath {
		r.report(key+".path", fmt.Sprintf("has more than %d entries", mostPath), "join conductors and connectors that belong together")
		return nil
	}
	var out []plan.Element
	loads, cycled := 0, 0
	for i, name := range names {
		e, ok := r.elements[name]
		if !ok {
			what := fmt.Sprintf("nothing is called %q", name)
			if _, source := r.sources[name]; source {
				what = fmt.Sprintf("%q is a source: it stands under source, not in the path", name)
			}
			r.report(fmt.Sprintf("%s.path[%d]", key, i), what, r.choice(r.names))
			continue
		}
		if l, ok := e.(plan.Load); ok {
			loads++
			if l.Duty < 1 {
				cycled++
			}
		}
		out = append(out, e)
	}
	if loads == 0 && len(out) == len(names) {
		r.report(key+".path", "has no load", "end it with one of the loads")
	}
	if loads > mostLoads {
		r.report(key+".path", fmt.Sprintf("has more than %d loads", mostLoads), "join some into one load")
	}
	if cycled > plan.MostCycled {
		r.report(key+".path", fmt.Sprintf("has more than %d loads with a duty cycle", plan.MostCycled), "join some into one load")
	}
	return out
}

func (r *reader) choice(names []string) string {
	if len(names) == 0 {
		return "define it first"
	}
	return "use one of: " + strings.Join(names, ", ")
}

func (r *reader) sourceNames() []string {
	var out []string
	for _, p := range r.file.Packs {
		out = append(out, p.Name)
	}
	for _, s := range r.file.Supplies {
		out = append(out, s.Name)
	}
	return out
}

func deref[T any](p *T) T {
	if p == nil {
		var zero T
		return zero
	}
	return *p
}

func (r *reader) readRadio(p *plan.Plan) {
	for _, x := range r.file.Places {
		place := plan.Place{Name: x.Name, FreqHz: float64(x.Frequency), DistanceM: float64(x.Distance), ElevationDeg: float64(x.Elevation), Indoor: plan.Indoor(x.Indoor), Share: float64(deref(x.Share)), Terminal: x.Terminal}
		if x.Building != "none" {
			place.Building = plan.Building(x.Building)
		}
		for _, w := range x.Walls {
			place.Walls = append(place.Walls, plan.Wall{Material: w.Material, ThicknessM: float64(w.Thickness), Count: w.Count})
		}
		p.Places = append(p.Places, place)
	}
	for _, x := range r.file.Relays {
		p.Relays = append(p.Relays, plan.Relay{Name: x.Name, DirectBPS: float64(x.Direct), BackhaulBPS: float64(x.ToRelay), UserBPS: float64(x.FromRelay), Backhaul: plan.Backhaul(x.Backhaul)})
	}
}

func (r *reader) readStock(p *plan.Plan) {
	s := r.file.Stock
	p.Stock = plan.Stock{ChargerW: float64(s.Charger), ChargerAfter: s.ChargerAfter, Ahead: s.SwapAhead, Lead: s.Lead}
	if len(s.Packs) > 500 {
		r.report("stock.packs", "has more than 500 entries", "list the packs of one rotation")
		return
	}
	listed := map[string]int{}
	for _, x := range s.Packs {
		listed[x.Of]++
	}
	for i, x := range r.file.Packs {
		if n := listed[x.Name]; n > 0 && n != x.Count {
			r.report(fmt.Sprintf("packs[%d].count", i), fmt.Sprintf("is %d, but stock lists %d of them", x.Count, n), fmt.Sprintf("list all of them or set count: %d", n))
		}
	}
	for i, x := range s.Packs {
		at := fmt.Sprintf("stock.packs[%d]", i)
		if source, ok := r.sources[x.Of]; !ok || source.Kind != plan.PackSource {
			var names []string
			for _, y := range r.file.Packs {
				names = append(names, y.Name)
			}
			r.report(at+".of", fmt.Sprintf("no kind of pack is called %q", x.Of), r.choice(names))
		}
		if slices.ContainsFunc(p.Stock.Packs, func(y plan.StockPack) bool { return y.Name == x.Name }) {
			r.report(at+".name", "two packs have this name", "mark each pack and list it by its mark")
		}
		o := plan.StockPack{Name: x.Name, Source: x.Of, Charge: float64(x.Charge), Health: float64(deref(x.Health)), Uses: x.Uses, InUse: x.InUse,
			TempC: float64(deref(x.Temperature)), TempKnown: x.Temperature != nil, RestV: float64(deref(x.Found)), RestKnown: x.Found != nil}
		p.Stock.Packs = append(p.Stock.Packs, o)
	}
}

// peukertOf is the exponent where none is given: lead-acid 1.15, between flooded
// (1.1 to 1.3) and AGM (1.05 to 1.15), from a secondary source; lithium none.
func peukertOf(c pack.Chemistry) float64 {
	if c == pack.LeadAcid {
		return 1.15
	}
	return 1
}
