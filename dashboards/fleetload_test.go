package dashboards_test

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"candlemark/agent/metrics"
	"candlemark/agent/status"
	"candlemark/dashboards"
	"candlemark/deploy/promtest"
)

// The fleet that is simulated. Every loadSilent-th relay stopped a while ago.
const (
	loadSeries  = 60
	loadEvery   = 15 * time.Second
	loadSilent  = 50
	loadSites   = 20
	loadStopped = 20 * time.Minute
	loadBatch   = 50 // relays in a request
	loadChunk   = 20 // gatherings of each relay in a request
	slowest     = time.Second
	rounds      = 7
)

// loadRelay is one relay that pushes: its series, and what each holds at a time.
type loadRelay struct {
	series []*promtest.Series
	value  []func(k int, at time.Time) float64
	stops  time.Time // zero for those that go on
}

// fleetLoad is all relays; gathering k of each is at begin plus k times loadEvery.
type fleetLoad struct {
	relays    []*loadRelay
	begin     time.Time
	history   time.Time // until when the figures of the recording rules are written too
	reference time.Time // when relay i has 600 + 27 i seconds left
	next      int       // the gathering that comes
	samples   int
}

// newFleetLoad makes relays of the series that a real agent exports, those first
// that the dashboard and the rules use.
func newFleetLoad(t *testing.T, relays int, begin, now time.Time) *fleetLoad {
	t.Helper()
	f := &fleetLoad{begin: begin, history: now, reference: now}
	shapes := exported(t)
	for i := range relays {
		r := &loadRelay{}
		if i%loadSilent == loadSilent-1 {
			r.stops = now.Add(-loadStopped)
		}
		rng := rand.New(rand.NewPCG(uint64(i), 7)) // a seed for each relay, so that runs are alike
		where := []string{"job", "candlemark", "relay", fmt.Sprintf("relay-%04d", i), "site", fmt.Sprintf("site-%02d", i%loadSites), "incident", "flood"}
		for _, s := range shapes {
			r.series = append(r.series, promtest.NewSeries(s.name, append(slices.Clone(where), s.labels...)...))
			r.value = append(r.value, f.figure(i, s, rng))
		}
		f.recorded(i, r, where[2:])
		f.relays = append(f.relays, r)
	}
	return f
}

type shape struct {
	name    string
	labels  []string
	counter bool
	value   float64
}

// exported are loadSeries series of an agent with one pack and two targets.
func exported(t *testing.T) []shape {
	t.Helper()
	began := time.Now().Add(-time.Hour)
	families, err := metrics.New(func() status.Snapshot {
		s := truth(began, time.Now())
		s.Targets = s.Targets[:2]
		needy := gym(began, time.Now())
		s.Trouble, s.Data = needy.Trouble, needy.Data
		return s
	}, metrics.BuildInfo{}).Gatherer().Gather()
	if err != nil {
		t.Fatal(err)
	}
	used := map[string]bool{}
	for _, file := range []string{"all-relays.json", "../deploy/prometheus/rules.yaml"} {
		b, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range regexp.MustCompile(`candlemark_\w+`).FindAllString(string(b), -1) {
			used[name] = true
		}
	}
	var needed, others []shape
	for _, family := range families {
		for _, m := range family.GetMetric() {
			s := shape{name: family.GetName(), value: m.GetGauge().GetValue() + m.GetCounter().GetValue(), counter: m.GetCounter() != nil}
			for _, l := range m.GetLabel() {
				s.labels = append(s.labels, l.GetName(), l.GetValue())
			}
			switch {
			case used[s.name]:
				needed = append(needed, s)
			case m.GetHistogram() == nil && strings.HasPrefix(s.name, "candlemark_"):
				others = append(others, s)
			}
		}
	}
	if len(needed) > loadSeries || len(needed)+len(others) < loadSeries {
		t.Fatalf("%d series are needed and %d more are there, want %d", len(needed), len(others), loadSeries)
	}
	return append(needed, others...)[:loadSeries]
}

// figure is what a series holds: what the agent would export, moving as it would.
func (f *fleetLoad) figure(i int, s shape, rng *rand.Rand) func(int, time.Time) float64 {
	left := func(at time.Time) float64 { return float64(600+27*i) + f.reference.Sub(at).Seconds() }
	switch s.name {
	case "candlemark_agent_step_time_seconds":
		return func(k int, _ time.Time) float64 { return 5000 + float64(k)*loadEvery.Seconds() }
	case "candlemark_agent_clock_timestamp_seconds", "candlemark_pack_reading_timestamp_seconds":
		return func(_ int, at time.Time) float64 { return float64(at.UnixMilli()) / 1e3 }
	case "candlemark_pack_runtime_cautious_seconds":
		return func(_ int, at time.Time) float64 { return left(at) }
	case "candlemark_pack_runtime_seconds":
		return func(_ int, at time.Time) float64 { return 1.25*left(at) + 30*rng.NormFloat64() }
	case "candlemark_link_packets_sent_total":
		return func(k int, _ time.Time) float64 { return float64(1000 * k) }
	case "candlemark_link_packets_lost_total":
		return func(k int, _ time.Time) float64 { return float64(k * (i % 100)) }
	case "candlemark_data_used_today_bytes":
		return func(k int, _ time.Time) float64 { return float64(2e5*(i%1000) + 300*k) }
	}
	noisy := regexp.MustCompile(`_volts$|_amperes$|_watts$|_rtt_|_jitter_|charge_ratio`).MatchString(s.name)
	switch {
	case s.counter:
		total := s.value
		return func(int, time.Time) float64 { total += float64(rng.IntN(20)); return total }
	case noisy: // in steps of a 4000th, as a converter has them
		return func(int, time.Time) float64 { return math.Round(4000*(1+0.02*rng.NormFloat64())) / 4000 * s.value }
	}
	return func(int, time.Time) float64 { return s.value }
}

// recorded adds what the recording rules would have kept in the time that is back-filled.
func (f *fleetLoad) recorded(i int, r *loadRelay, where []string) {
	add := func(name string, value func(k int, at time.Time) float64, labels ...string) {
		r.series = append(r.series, promtest.NewSeries(name, append(slices.Clone(where), labels...)...))
		r.value = append(r.value, value)
	}
	add("relay:candlemark_agent_step_time_seconds:heard_timestamp", func(_ int, at time.Time) float64 {
		if !r.stops.IsZero() && at.After(r.stops) {
			at = r.stops
		}
		return float64(at.Unix())
	})
	add("relay:candlemark_pack_runtime_cautious_seconds:out_timestamp", func(int, time.Time) float64 { return float64(f.reference.Unix() + 600 + 27*int64(i)) })
	for alarm, severity := range map[string]string{"hop_down": "warning", "clock_not_set": "notice"} {
		add("relay:candlemark_alarm_active:open", func(int, time.Time) float64 { return 1 }, "alarm", alarm, "severity", severity)
	}
	if i >= loadSites { // what is kept for each site is written once
		return
	}
	where = where[2:]
	each := func(int, time.Time) float64 { return float64(loadSites) }
	add("site:candlemark_agent_step_time_seconds:heard_count", each)
	add("site:candlemark_agent_step_time_seconds:silent_count", each)
	for _, within := range []string{"1h", "3h"} {
		add("site:candlemark_pack_runtime_cautious_seconds:out_count", each, "within", within)
	}
	for _, severity := range []string{"critical", "warning", "notice"} {
		add("site:candlemark_alarm_active:sum", each, "severity", severity)
	}
}

// push writes all gatherings up to a time, as many requests at once as there are writers.
func (f *fleetLoad) push(ctx context.Context, writers []*promtest.Writer, until time.Time) error {
	for {
		n := min(loadChunk, int(until.Sub(f.begin)/loadEvery)+1-f.next)
		if n <= 0 {
			return nil
		}
		work := make(chan []*loadRelay)
		faults := make([]error, len(writers))
		counts := make([]int, len(writers))
		var all sync.WaitGroup
		for w, writer := range writers {
			all.Go(func() {
				for batch := range work {
					if faults[w] == nil {
						n, err := f.write(ctx, writer, batch, f.next, n)
						counts[w] += n
						faults[w] = err
					}
				}
			})
		}
		for batch := range slices.Chunk(f.relays, loadBatch) {
			work <- batch
		}
		close(work)
		all.Wait()
		for w := range writers {
			if faults[w] != nil {
				return faults[w]
			}
			f.samples += counts[w]
		}
		f.next += n
	}
}

func (f *fleetLoad) write(ctx context.Context, w *promtest.Writer, batch []*loadRelay, first, n int) (samples int, err error) {
	var request []*promtest.Series
	for _, r := range batch {
		for s, series := range r.series {
			series.Points = series.Points[:0]
			for k := first; k < first+n; k++ {
				at := f.begin.Add(time.Duration(k) * loadEvery)
				if s < loadSeries && !r.stops.IsZero() && at.After(r.stops) || s >= loadSeries && at.After(f.history) {
					break
				}
				series.Points = append(series.Points, promtest.Point{Milliseconds: at.UnixMilli(), Value: r.value[s](k, at)})
			}
			if len(series.Points) > 0 {
				request = append(request, series)
				samples += len(series.Points)
			}
		}
	}
	return samples, w.Write(ctx, request)
}

// The dashboard of all relays with many of them, timed while they push: the small
// form always, 1,000 relays and an hour of data with CANDLEMARK_LONG=1.
func TestManyRelaysAreShownInTime(t *testing.T) {
	relays, span, every := 50, 10*time.Minute, time.Second
	long := os.Getenv("CANDLEMARK_LONG") != ""
	if long {
		relays, span, every = 1000, time.Hour, loadEvery
	}
	prom := promtest.Start(t, promtest.Config{Receive: true, OutOfOrderWindow: "120h", Admin: long, Every: every.String(),
		RulesFiles: []string{"../deploy/prometheus/rules.yaml"}})
	writers := []*promtest.Writer{promtest.NewWriter(t, prom), promtest.NewWriter(t, prom)}
	start := time.Now()
	f := newFleetLoad(t, relays, start.Add(-span).Truncate(time.Second), start)
	for time.Since(f.begin.Add(time.Duration(f.next)*loadEvery)) > 0 {
		if err := f.push(t.Context(), writers, time.Now()); err != nil {
			t.Fatal(err)
		}
	}
	took := time.Since(start)
	t.Logf("%d relays, %d series each, %s: %.2f million samples pushed in %.1f s, %.0f a second", relays, loadSeries, span, float64(f.samples)/1e6, took.Seconds(), float64(f.samples)/took.Seconds())

	ctx, stop := context.WithCancel(t.Context())
	pushing := make(chan error, 1)
	go func() {
		tick := time.NewTicker(loadEvery)
		defer tick.Stop()
		for {
			select {
			case <-ctx.Done():
				pushing <- nil
				return
			case <-tick.C:
				if err := f.push(ctx, writers, time.Now()); err != nil && ctx.Err() == nil {
					pushing <- err
					return
				}
			}
		}
	}()
	// A rule's figures of now, and not those that were written for the past.
	prom.WaitQuery(t, fmt.Sprintf(`count(relay:candlemark_link_packets_lost_total:uplink_ratio15m) == %d and on () max(timestamp(site:candlemark_alarm_active:sum)) > %d`,
		relays-relays/loadSilent, start.Unix()+1))
	values := map[string]string{"relay": ".*", "site": ".*", "incident": ".*"}
	timeDashboard(t, prom, values, span)
	f.right(t, prom, values)
	sum := time.Duration(0)
	for _, r := range prom.RuleTimes(t) {
		t.Logf("rule   %-62s %7.1f ms", r.Name, ms(r.Took))
		sum += r.Took
	}
	// Told and not judged: it is one evaluation of each, on a machine that does other things too.
	t.Logf("rules  %s in all, every %s", sum.Round(time.Millisecond), loadEvery)
	stop()
	if err := <-pushing; err != nil {
		t.Error(err)
	}
	if long {
		samples, index := prom.Snapshot(t)
		t.Logf("store  %.0f series in memory, %.0f MB resident; on disk %.2f bytes a sample, and %.0f bytes of index a series",
			prom.Own(t, "prometheus_tsdb_head_series"), prom.Own(t, "process_resident_memory_bytes")/1e6,
			float64(samples)/float64(f.samples), float64(index)/prom.Own(t, "prometheus_tsdb_head_series"))
	}
}

func ms(d time.Duration) float64 { return float64(d) / float64(time.Millisecond) }

// timeDashboard asks every query several times. It is the middle one that must be
// quick: the machine may be busy with something else once.
func timeDashboard(t *testing.T, prom *promtest.Server, values map[string]string, span time.Duration) {
	t.Helper()
	for _, s := range dashboards.Fleet().Sections {
		for _, p := range s.Panels {
			for _, q := range p.Queries {
				expr := dashboards.Expand(q.Expr, values)
				var took []time.Duration
				rows := 0
				for range rounds {
					begin := time.Now()
					if p.Now || p.Table != nil {
						rows = len(prom.Query(t, expr))
					} else {
						_, rows = prom.Range(t, expr, begin.Add(-span), begin, loadEvery)
					}
					took = append(took, time.Since(begin))
				}
				slices.Sort(took)
				t.Logf("query  %-32s %6d rows %7.1f ms, at most %7.1f ms", p.Title+"/"+q.Ref, rows, ms(took[rounds/2]), ms(took[rounds-1]))
				if took[rounds/2] > slowest {
					t.Errorf("%s/%s takes %s: %s", p.Title, q.Ref, took[rounds/2], expr)
				}
				if rows == 0 {
					t.Errorf("%s/%s gives nothing: %s", p.Title, q.Ref, expr)
				}
			}
		}
	}
}

// right checks that what is quick is also true.
func (f *fleetLoad) right(t *testing.T, prom *promtest.Server, values map[string]string) {
	t.Helper()
	silent := len(f.relays) / loadSilent
	ask := func(title, ref string) []promtest.Sample {
		for _, s := range dashboards.Fleet().Sections {
			for _, p := range s.Panels {
				for _, q := range p.Queries {
					if p.Title == title && q.Ref == ref {
						return prom.Query(t, dashboards.Expand(q.Expr, values))
					}
				}
			}
		}
		t.Fatalf("no query %s/%s", title, ref)
		return nil
	}
	for title, want := range map[string]int{"Heard": len(f.relays) - silent, "Silent": silent} {
		if got := ask(title, "A"); len(got) != 1 || got[0].Value != float64(want) {
			t.Errorf("%s: %v, want %d", title, got, want)
		}
	}
	out := ask("Who runs out first", "A")
	if len(out) != len(f.relays) {
		t.Fatalf("%d relays run out, want %d", len(out), len(f.relays))
	}
	for i, s := range out {
		want := float64(600+27*i) - time.Since(f.reference).Seconds()
		if s.Labels["relay"] != fmt.Sprintf("relay-%04d", i) || math.Abs(s.Value-want) > 5 {
			t.Fatalf("row %d: %v has %g s, want relay-%04d with %g s", i, s.Labels, s.Value, i, want)
		}
	}
	for _, s := range ask("Whose uplink is bad", "A") {
		var i int
		if _, err := fmt.Sscanf(s.Labels["relay"], "relay-%d", &i); err != nil {
			t.Fatal(err)
		}
		if want := float64(i%100) / 1000; math.Abs(s.Value-want) > 1e-3 {
			t.Errorf("%s loses %g, want %g", s.Labels["relay"], s.Value, want)
		}
	}
}
