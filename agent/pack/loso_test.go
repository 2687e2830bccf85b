package pack

import (
	"fmt"
	"math"
	"os"
	"sort"
	"strconv"
	"strings"
	"sync"
	"testing"
)

// The constants of the report (what is taken from the draws) judged by leaving one
// data set out: each is chosen on all sets but one and scored on that one. Runs only
// where CANDLEMARK_LOSO gives the number of runs for each data set and case.

// choice is a statistic that could be Expected.
type choice struct {
	name  string
	value func(r *reading) float64
}

// reading is what one forecast gave and what was true.
type reading struct {
	at, truth, span float64
	quant           [len(quantLevels)]float64
}

var quantLevels = [12]float64{0.03, 0.05, 0.10, 0.15, 0.20, 0.30, 0.35, 0.40, 0.45, 0.50, 0.95, 0.97}

type trail struct {
	c    scoreCase
	read []reading
}

// follow replays one case, forecasting about two hundred times.
func follow(t testing.TB, c scoreCase) trail {
	var prof *Profile
	for _, p := range c.prev {
		if q, err := Learn(prof, c.run.spec, p.samples); err == nil {
			prof = q
		}
	}
	all := c.run.samples
	end, t0 := all[len(all)-1].T.Seconds(), 0.0
	if c.kind == "restart" {
		t0 = 0.4 * end
		all = all[sort.Search(len(all), func(i int) bool { return all[i].T.Seconds() >= t0 }):]
	}
	e, err := New(c.run.spec, prof)
	if err != nil {
		t.Fatal(err)
	}
	out := trail{c: c}
	span := end - t0
	next := 0.0
	var smooth [3]calm
	for _, x := range all {
		x.T -= seconds(t0)
		if err := e.Update(x); err != nil {
			t.Fatal(err)
		}
		at := x.T.Seconds()
		if at < next || at >= span {
			continue
		}
		next = at + span/200
		f := e.Forecast()
		if !f.Known || len(e.buf.x) == 0 || e.run.AtCutoff {
			continue
		}
		r := reading{at: at, truth: span - at, span: span}
		var raw [12]float64
		for i, p := range quantLevels {
			raw[i] = e.buf.quantile(p)
		}
		half := 0.0
		if !e.calm.load.pulsed {
			half = 0.5 * e.run.StepS
		}
		for g := range smooth {
			y := smooth[g].next([4]float64(raw[4*g:4*g+4]), e.run.Q, e.calm.load)
			copy(raw[4*g:], y[:])
		}
		for i := range quantLevels {
			r.quant[i] = raw[i] + half
		}
		out.read = append(out.read, r)
	}
	return out
}

func (tr *trail) within(tol float64, f func(*reading) float64) float64 {
	var n, hit float64
	for i := range tr.read {
		r := &tr.read[i]
		if r.at < 0.2*r.span || r.at > 0.95*r.span {
			continue
		}
		n++
		if math.Abs(f(r)-r.truth) <= tol*r.truth {
			hit++
		}
	}
	return 100 * hit / math.Max(n, 1)
}

func (tr *trail) optimism(f func(*reading) float64) float64 {
	worst := 0.0
	for i := range tr.read {
		r := &tr.read[i]
		if r.at > r.span*2/3 && r.at <= 0.95*r.span {
			worst = math.Max(worst, (f(r)-r.truth)/r.span)
		}
	}
	return 100 * worst
}

func (tr *trail) covered(low, high int, pad float64) float64 {
	var n, hit float64
	for i := range tr.read {
		r := &tr.read[i]
		if r.at < 0.2*r.span || r.at > 0.95*r.span {
			continue
		}
		n++
		m := pad * r.quant[9]
		if r.quant[low]-m <= r.truth && r.truth <= r.quant[high]+m {
			hit++
		}
	}
	return 100 * hit / math.Max(n, 1)
}

// alarm says whether the warning would have been missed, or early.
func (tr *trail) alarm(level int, pad float64) (missed, early bool) {
	for i := range tr.read {
		r := &tr.read[i]
		if lead := 0.15 * r.span; r.quant[level]-pad*r.quant[9] <= lead {
			return r.truth < lead, r.truth > 2.5*lead
		}
	}
	return true, false
}

func TestConstantsByLeavingOneSetOut(t *testing.T) {
	most, err := strconv.Atoi(os.Getenv("CANDLEMARK_LOSO"))
	if err != nil {
		t.Skip("CANDLEMARK_LOSO gives the number of runs for each data set and case")
	}
	cases := scoreCases(readRuns(t, sharedDir(t)))
	kinds := []string{"repeat", "changed", "restart", "none", "partial"}
	by := map[string]map[string][]trail{} // kind, set
	for _, kind := range kinds {
		items := thinned(cases[kind], most)
		got := make([]trail, len(items))
		var wg sync.WaitGroup
		for k := range 2 {
			wg.Go(func() {
				for i := k; i < len(items); i += 2 {
					got[i] = follow(t, items[i])
				}
			})
		}
		wg.Wait()
		by[kind] = map[string][]trail{}
		for _, tr := range got {
			by[kind][tr.c.run.set] = append(by[kind][tr.c.run.set], tr)
		}
	}
	if len(by["none"]) < 2 {
		t.Fatal("too few data sets to leave one out")
	}
	var out strings.Builder
	tableExpected(&out, kinds, by)
	tableInterval(&out, kinds, by)
	tableAlarm(&out, kinds, by)
	t.Logf("\n%s", out.String())
}

func sortedSets(m map[string][]trail) []string {
	var out []string
	for s := range m {
		out = append(out, s)
	}
	sort.Strings(out)
	return out
}

func average(v []trail, f func(*trail) float64) float64 {
	var s float64
	for i := range v {
		s += f(&v[i])
	}
	return s / float64(len(v))
}

func tableExpected(out *strings.Builder, kinds []string, by map[string]map[string][]trail) {
	choices := []choice{{"median", func(r *reading) float64 { return r.quant[9] }},
		{"q45", func(r *reading) float64 { return r.quant[8] }}, {"q40", func(r *reading) float64 { return r.quant[7] }}}
	for _, kind := range kinds {
		fmt.Fprintf(out, "\n%-8s %-18s", kind, "in10/in20/opt")
		for _, c := range choices {
			fmt.Fprintf(out, " %14s", c.name)
		}
		macro := make([][3]float64, len(choices))
		sets := sortedSets(by[kind])
		for _, set := range sets {
			v := by[kind][set]
			fmt.Fprintf(out, "\n%-8s %-14s %3d", kind, set, len(v))
			for i, c := range choices {
				a := average(v, func(tr *trail) float64 { return tr.within(0.1, c.value) })
				b := average(v, func(tr *trail) float64 { return tr.within(0.2, c.value) })
				var o []float64
				for k := range v {
					o = append(o, v[k].optimism(c.value))
				}
				for k, x := range []float64{a, b, q95(o)} {
					macro[i][k] += x / float64(len(sets))
				}
				fmt.Fprintf(out, " %4.0f/%4.0f/%4.1f", a, b, q95(o))
			}
		}
		fmt.Fprintf(out, "\n%-8s %-18s", kind, "MACRO")
		for i := range choices {
			fmt.Fprintf(out, " %4.1f/%4.1f/%4.1f", macro[i][0], macro[i][1], macro[i][2])
		}
		fmt.Fprintln(out)
	}
}

func tableInterval(out *strings.Builder, kinds []string, by map[string]map[string][]trail) {
	pads := []float64{0, 0.02, 0.04, 0.06}
	fmt.Fprintf(out, "\ncover of quantiles 5 to 95 %% with pad 0, 2, 4, 6 %%; 3 to 97 %% with 0, 2, 4, 6 %%\n")
	for _, kind := range kinds {
		for _, set := range sortedSets(by[kind]) {
			v := by[kind][set]
			fmt.Fprintf(out, "%-8s %-14s %3d", kind, set, len(v))
			for _, q := range [][2]int{{1, 10}, {0, 11}} {
				for _, p := range pads {
					fmt.Fprintf(out, " %5.1f", average(v, func(tr *trail) float64 { return tr.covered(q[0], q[1], p) }))
				}
			}
			fmt.Fprintln(out)
		}
	}
}

// tally counts misses and early warnings.
type tally struct{ n, missed, with, early int }

// tableAlarm chooses the quantile and margin with the fewest early warnings among
// those that miss at most 2 % of the other sets' runs.
func tableAlarm(out *strings.Builder, kinds []string, by map[string]map[string][]trail) {
	type setting struct {
		level int
		pad   float64
	}
	var settings []setting
	for level := range quantLevels[:10] {
		for _, pad := range []float64{0, 0.05, 0.10, 0.15, 0.20} {
			settings = append(settings, setting{level, pad})
		}
	}
	count := make([]map[string]tally, len(settings))
	total := make([]tally, len(settings))
	for i, s := range settings {
		count[i] = map[string]tally{}
		for _, kind := range kinds {
			for set, v := range by[kind] {
				k := count[i][set]
				for j := range v {
					missed, early := v[j].alarm(s.level, s.pad)
					k.n++
					if missed {
						k.missed++
					}
					if len(v[j].c.prev) > 0 {
						k.with++
						if early {
							k.early++
						}
					}
				}
				count[i][set] = k
			}
		}
		for _, k := range count[i] {
			total[i] = tally{total[i].n + k.n, total[i].missed + k.missed, total[i].with + k.with, total[i].early + k.early}
		}
		fmt.Fprintf(out, "alarm: quantile %.2f pad %.2f: missed %d of %d, early %d of %d\n",
			quantLevels[s.level], s.pad, total[i].missed, total[i].n, total[i].early, total[i].with)
	}
	var sum tally
	for set := range count[0] {
		best, bestEarly := -1, math.Inf(1)
		for i := range settings {
			k := count[i][set]
			n, missed, early := total[i].n-k.n, total[i].missed-k.missed, float64(total[i].early-k.early)
			if float64(missed) <= 0.02*float64(n) && early < bestEarly {
				best, bestEarly = i, early
			}
		}
		if best < 0 {
			fmt.Fprintf(out, "left out %-18s: no setting misses at most 2 %% of the others\n", set)
			continue
		}
		k := count[best][set]
		sum = tally{sum.n + k.n, sum.missed + k.missed, sum.with + k.with, sum.early + k.early}
		fmt.Fprintf(out, "left out %-18s: quantile %.2f pad %.2f; on it missed %d of %d, early %d of %d\n",
			set, quantLevels[settings[best].level], settings[best].pad, k.missed, k.n, k.early, k.with)
	}
	fmt.Fprintf(out, "left out, together: missed %s, early %s\n", exact(sum.missed, sum.n), exact(sum.early, sum.with))
	listAlarms(out, kinds, by)
}

// listAlarms counts and lists what the constants in use do.
func listAlarms(out *strings.Builder, kinds []string, by map[string]map[string][]trail) {
	level := 0
	for i, q := range quantLevels {
		if q == cautiousDraw {
			level = i
		}
	}
	var k tally
	for _, kind := range kinds {
		for _, set := range sortedSets(by[kind]) {
			for _, tr := range by[kind][set] {
				missed, early := tr.alarm(level, cautiousPad)
				k.n++
				if missed {
					k.missed++
					fmt.Fprintf(out, "missed %s %s\n", kind, tr.c.run.file)
				}
				if len(tr.c.prev) > 0 {
					k.with++
					if early {
						k.early++
						fmt.Fprintf(out, "early %s %s\n", kind, tr.c.run.file)
					}
				}
			}
		}
	}
	fmt.Fprintf(out, "in use: quantile %.2f pad %.2f: missed %s, early %s\n", quantLevels[level], cautiousPad, exact(k.missed, k.n), exact(k.early, k.with))
}
