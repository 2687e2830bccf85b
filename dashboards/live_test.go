package dashboards_test

import (
	"fmt"
	"math"
	"net/http/httptest"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"candlemark/agent/alarm"
	"candlemark/agent/metrics"
	"candlemark/agent/pack"
	"candlemark/agent/status"
	"candlemark/dashboards"
	"candlemark/deploy/promtest"
	"candlemark/probes"
	"candlemark/probes/quality"
	"candlemark/sensors"
)

// The truth that every query of the dashboard must give back. All of it is
// chosen here; none is measured.
const (
	readingAge = 3 * time.Second
	resultAge  = 40 * time.Second
	clockAhead = 7 * time.Second
	meanW      = 20.0 // the energy counter's slope
	packetsPS  = 10.0
	lossShare  = 0.125
	windowS    = 10  // of rates
	swapsPS    = 1.0 // one each second, so that there are some to mark
)

// truth is a relay at the moment now; began is when its counters were zero.
func truth(began, now time.Time) status.Snapshot {
	up := now.Sub(began)
	board := now.Round(0).Add(clockAhead) // the board's clock is ahead
	sent := packetsPS * up.Seconds()
	burst := func(scale time.Duration) probes.Result {
		return probes.Result{Start: board.Add(-resultAge - time.Second), Elapsed: time.Second, Latency: &probes.LatencyStats{
			Sent: 8, Lost: 2, RTTKnown: true, VariationKnown: true, IPDVKnown: true,
			Min: 2 * scale, Median: 3 * scale, P95: 9 * scale, Jitter: scale / 2, IPDVMeanAbs: scale / 4, PDVP95: 7 * scale,
		}}
	}
	delays := []time.Duration{200 * time.Millisecond}
	latency := func(name string, section probes.Section, scale time.Duration) status.Target {
		return status.Target{Name: name, Section: section, Kind: probes.Latency, Attempts: 90, Failures: 4,
			Sent: uint64(1000 * sent), Lost: uint64(1000 * sent * lossShare), LastKnown: true, Last: burst(scale),
			RTTs:    status.Histogram{Counts: answered(uint64(1000*sent), scale), Sum: time.Duration(sent) * scale},
			Forward: status.DirectionSum{Known: true, Sent: uint64(1000 * sent), Lost: uint64(1000 * sent * lossShare)}, Backward: status.DirectionSum{Known: true, Sent: uint64(1000 * sent)}}
	}
	return status.Snapshot{
		Relay: "stairwell", Site: "east school", ClockSet: true, Started: began,
		Taken: alarm.Instant{Up: up, Wall: board},
		Packs: []status.Pack{{
			Name: "a", SensorName: "invented", Spec: pack.Spec{CapacityAh: 8},
			Leads:        alarm.Leads{NextPack: 45 * time.Minute, ShutDown: 15 * time.Minute},
			Reading:      sensors.Reading{At: board.Add(-readingAge), PackV: 18.5, PackA: 2, ErrV: 0.1, ErrA: 0.02, ErrW: 0.6},
			ReadingKnown: true, ReadingUp: up - readingAge,
			Forecast: pack.Forecast{State: pack.Discharging, Known: true,
				Expected: 2 * time.Hour, Low: 100 * time.Minute, High: 150 * time.Minute, Cautious: 95 * time.Minute,
				ChargeRatio: 0.625, ChargeKnown: true, CapacityAh: 7.5, CapacityKnown: true, LoadW: 36, CutoffV: 15},
			Sensor: status.SensorCounts{Reads: 5400, Errors: 3, Repairs: 1}, DischargedJ: 36000 + meanW*up.Seconds(), Swaps: uint64(swapsPS * up.Seconds()),
		}},
		Targets: []status.Target{
			latency("terminal", probes.Hop, time.Millisecond),
			latency("far", probes.Uplink, 10*time.Millisecond),
			{Name: "wide area", Section: probes.Uplink, Kind: probes.Throughput, Attempts: 5, Failures: 1, NotRun: "data budget spent", LastKnown: true,
				Last: probes.Result{Start: board.Add(-resultAge - time.Second), Elapsed: time.Second, Throughput: &probes.ThroughputStats{
					Down: 80e6, DownKnown: true, Up: 12e6, UpKnown: true, UpDetail: &probes.Transfer{
						Loaded:  &probes.LatencyStats{Sent: 100, RTTKnown: true, Median: 120 * time.Millisecond, P95: 180 * time.Millisecond},
						Working: &probes.WorkingDelays{TCP: delays, HTTP: delays, Loaded: delays}}}}},
			{Name: "forms", Section: probes.Uplink, Kind: probes.Service, Attempts: 7, LastKnown: true,
				Last: probes.Result{Start: board.Add(-resultAge - time.Second), Elapsed: time.Second, Service: &probes.ServiceStats{Works: true}}},
		},
		Fit:       []quality.Verdict{{Use: quality.UseVoice, Word: quality.Unfit}, {Use: quality.UseForms, Word: quality.Fit}},
		Alarms:    []alarm.Active{{ID: "1", Name: alarm.HopDown, Severity: alarm.Warning, Subject: "terminal"}, {ID: "2", Name: alarm.ClockNotSet, Severity: alarm.Notice}},
		Receivers: []status.Receiver{{Name: "webhook", Attempts: 9, Failures: 4, Dropped: 2, Waiting: 1}},
		Data:      status.Data{UsedToday: 30_000_000, BudgetPerDay: 200_000_000},
		Journal:   status.Journal{Pending: 6},
	}
}

// answered puts all round trips into the bucket that ends at 5 ms, or at 50 ms.
func answered(n uint64, scale time.Duration) []uint64 {
	counts := make([]uint64, len(probes.RTTBounds())+1)
	counts[map[time.Duration]int{time.Millisecond: 2, 10 * time.Millisecond: 6}[scale]] = n
	return counts
}

// want is one series that a query must give: the labels that tell it from the
// others, its value and how far it may be off.
type want struct {
	labels map[string]string
	value  float64
	within float64
}

func one(value float64) []want { return []want{{nil, value, 1e-9}} }

func on(label, name string, value float64) want {
	return want{map[string]string{label: name}, value, 1e-9}
}

// expected is the truth by panel and query; a query without one fails the test.
// lateS is by how much the scrapes came unevenly late.
func expected(packWh func() float64, lateS float64) map[string][]want {
	byTarget := func(value float64) []want {
		return []want{on("target", "terminal", value), on("target", "far", 10*value)}
	}
	same := func(value float64, within float64) []want {
		return []want{{map[string]string{"target": "terminal"}, value, within}, {map[string]string{"target": "far"}, value, within}}
	}
	return map[string][]want{
		"Time left/A":     one(7200),
		"Alarms active/A": one(2),
		"Which alarms/A":  {on("alarm", "hop_down", 1), on("alarm", "clock_not_set", 1)},
		"Pack state/A":    {on("state", "discharging", 1)},
		"Relay heard/A":   one(1),

		"Time left of pack $pack, with range/A": one(7200),
		"Time left of pack $pack, with range/B": one(6000),
		"Time left of pack $pack, with range/C": one(9000),
		"Time left of pack $pack, with range/D": one(5700),
		"Time left of pack $pack, with range/E": one(2700),
		"Time left of pack $pack, with range/F": one(900),
		"Charge left/A":                         one(0.625),
		"Voltage/A":                             one(18.5),
		"Voltage/B":                             one(15),
		"Current/A":                             one(2),
		"Power/A":                               one(37),                                             // 18.5 V × 2 A
		"Power/B":                               {{nil, meanW, meanW * (0.005 + lateS/(windowS-2))}}, // between the first and the last stamp
		"Power/C":                               one(36),
		"Energy drawn/A":                        {{nil, packWh(), meanW * 10 / 3600}}, // of a moment some seconds ago at most
		"Capacity/A":                            one(7.5),
		"Capacity/B":                            one(8),

		"Answers/A":                       same(1, 0),
		"Round trip, near hop/A":          {on("target", "terminal", 0.003)},
		"Round trip, near hop/B":          {on("target", "terminal", 0.009)},
		"Round trip, near hop/C":          {on("target", "terminal", 0.002)},
		"Round trip, uplink/A":            {on("target", "far", 0.03)},
		"Round trip, uplink/B":            {on("target", "far", 0.09)},
		"Round trip, uplink/C":            {on("target", "far", 0.02)},
		"Packets lost/A":                  same(0.25, 0),         // 2 of 8
		"Packets lost/B":                  same(lossShare, 1e-3), // whole packets
		"Jitter and delay variation/A":    byTarget(0.0005),
		"Jitter and delay variation/B":    byTarget(0.00025),
		"Jitter and delay variation/C":    byTarget(0.007),
		"Throughput/A":                    one(80e6),
		"Throughput/B":                    one(12e6),
		"Data used today/A":               one(30e6),
		"Data used today/B":               one(200e6),
		"Probes that could not measure/A": {on("target", "terminal", 4), on("target", "far", 4), on("target", "wide area", 1), on("target", "forms", 0)},
		"Probes that could not measure/B": {on("target", "terminal", 90), on("target", "far", 90), on("target", "wide area", 5), on("target", "forms", 7)},
		"Probes that could not measure/C": {on("target", "terminal", 0), on("target", "far", 0), on("target", "wide area", 1), on("target", "forms", 0)},
		"Good enough for/A":               {on("use", "voice", 1), on("use", "forms_and_messaging", 1)},
		"Named services/A":                {on("target", "forms", 1)},
		"Lost in each direction/A": {
			{map[string]string{"target": "terminal", "direction": "forward"}, lossShare, 1e-3}, {map[string]string{"target": "terminal", "direction": "backward"}, 0, 0},
			{map[string]string{"target": "far", "direction": "forward"}, lossShare, 1e-3}, {map[string]string{"target": "far", "direction": "backward"}, 0, 0},
		},
		// All in one bucket: 95 % of the way from its lower to its upper bound.
		"Round trip, 95 % of the interval/A": {on("target", "terminal", 0.002+0.95*0.003), on("target", "far", 0.03+0.95*0.02)},
		"Round trip under load/A":            {on("direction", "up", 0.12)},
		"Round trip under load/B":            {on("direction", "up", 0.18)},
		"Responsiveness/A":                   {on("direction", "up", 300)}, // 200 ms (checks E30)

		"Age of the pack's reading/A":       {{nil, readingAge.Seconds(), 1e-3}},
		"Age of the link's results/A":       append(same(resultAge.Seconds(), 1e-3), want{map[string]string{"target": "wide area"}, resultAge.Seconds(), 1e-3}, want{map[string]string{"target": "forms"}, resultAge.Seconds(), 1e-3}),
		"Board's clock ahead/A":             {{nil, clockAhead.Seconds(), 0.5}}, // the scrape takes some milliseconds
		"Sensor/A":                          one(1),
		"Sensor errors and repairs/A":       one(3),
		"Sensor errors and repairs/B":       one(1),
		"Error bounds/A":                    one(0.1),
		"Error bounds/B":                    one(0.02),
		"Error bounds/C":                    one(0.6),
		"Delivery of alarms, and journal/A": one(4),
		"Delivery of alarms, and journal/B": one(2),
		"Delivery of alarms, and journal/C": one(1),
		"Delivery of alarms, and journal/D": one(6),
	}
}

func TestEveryQueryGivesTheTruthOnALivePrometheus(t *testing.T) {
	t.Parallel()
	began := time.Now().Add(-time.Hour)
	view := func() status.Snapshot { return truth(began, time.Now()) }
	relay := httptest.NewServer(metrics.New(view, metrics.BuildInfo{}).Handler())
	defer relay.Close()
	// A second relay, so that a query that forgets which one it is about is found out.
	other := httptest.NewServer(metrics.New(view, metrics.BuildInfo{}).Handler())
	defer other.Close()
	address := func(s *httptest.Server) string { return strings.TrimPrefix(s.URL, "http://") }
	prom := promtest.Start(t, promtest.Config{
		Targets: []promtest.Target{
			{Address: address(relay), Labels: map[string]string{"relay": "stairwell", "site": "east school", "incident": "flood"}},
			{Address: address(other), Labels: map[string]string{"relay": "other"}},
		},
		RulesFiles: []string{"../deploy/prometheus/rules.yaml"},
		HoldFor:    "1s",
	})
	prom.WaitScraped(t, windowS+2)
	values := map[string]string{"relay": "stairwell", "pack": "a", "site": ".*", "incident": ".*",
		"__rate_interval": fmt.Sprintf("%ds", windowS), "__interval": "4s"}

	// A scrape reaches the relay after the time it bears, on a busy machine by a good
	// part of a second; the relay's clock, as scraped, tells by how much.
	late := fmt.Sprintf(`(candlemark_agent_clock_timestamp_seconds{relay="stairwell"} - timestamp(candlemark_agent_clock_timestamp_seconds{relay="stairwell"}))[%ds:1s]`, windowS)
	spread := prom.Query(t, "max_over_time("+late+") - min_over_time("+late+")")
	if len(spread) != 1 {
		t.Fatalf("lateness of scrapes: %v", spread)
	}
	d := dashboards.Relay()
	compareAll(t, prom, d, expected(func() float64 { return view().Packs[0].DischargedJ / 3600 }, spread[0].Value), values)
	marks := map[string][]want{
		"Alarms of the agent":  {on("alarm", "hop_down", 1), on("alarm", "clock_not_set", 1)},
		"Alerts of Prometheus": {on("alertname", "CandlemarkJournalNotWritten", 1)}, // six records wait, and none was ever written
		"Pack swaps":           {{nil, 4 * swapsPS, 2}},                             // of the four seconds of a step
	}
	for _, m := range d.Marks {
		expr := dashboards.Expand(m.Expr, values)
		for _, fault := range compare(prom.Query(t, expr), marks[m.Name]) {
			t.Errorf("%s: %s: %s", m.Name, expr, fault)
		}
	}
	choices(t, prom, d, values, map[string][]string{"site": {"east school"}, "incident": {"flood"}, "relay": {"other", "stairwell"}, "pack": {"a"}})
}

// compareAll asks every query of a dashboard for its truth.
func compareAll(t *testing.T, prom *promtest.Server, d dashboards.Dashboard, truths map[string][]want, values map[string]string) {
	t.Helper()
	asked := map[string]bool{}
	for _, s := range d.Sections {
		for _, p := range s.Panels {
			for _, q := range p.Queries {
				key := p.Title + "/" + q.Ref
				asked[key] = true
				wants, ok := truths[key]
				if !ok {
					t.Errorf("%s: no truth is written down for it", key)
					continue
				}
				expr := dashboards.Expand(q.Expr, values)
				for _, fault := range compare(prom.Query(t, expr), wants) {
					t.Errorf("%s: %s: %s", key, expr, fault)
				}
			}
		}
	}
	for key := range truths {
		if !asked[key] {
			t.Errorf("%s: a truth without a query", key)
		}
	}
}

// choices compares what each variable offers.
func choices(t *testing.T, prom *promtest.Server, d dashboards.Dashboard, values map[string]string, want map[string][]string) {
	t.Helper()
	shape := regexp.MustCompile(`^label_values\((.+), (\w+)\)$`)
	for _, v := range d.Variables {
		m := shape.FindStringSubmatch(v.Query)
		if m == nil {
			t.Fatalf("variable %s: %s is not label_values of a selector", v.Name, v.Query)
		}
		var got []string
		for _, series := range prom.Query(t, dashboards.Expand(m[1], values)) {
			if value := series.Labels[m[2]]; value != "" {
				got = append(got, value)
			}
		}
		slices.Sort(got)
		if got = slices.Compact(got); !slices.Equal(got, want[v.Name]) {
			t.Errorf("variable %s offers %v, want %v", v.Name, got, want[v.Name])
		}
	}
}

// compare matches series and wants one to one.
func compare(got []promtest.Sample, wants []want) (faults []string) {
	if len(got) != len(wants) {
		faults = append(faults, fmt.Sprintf("%d series, want %d: %v", len(got), len(wants), got))
	}
	for _, w := range wants {
		i := slices.IndexFunc(got, func(s promtest.Sample) bool {
			for k, v := range w.labels {
				if s.Labels[k] != v {
					return false
				}
			}
			return true
		})
		if i < 0 {
			faults = append(faults, fmt.Sprintf("no series with %v", w.labels))
		} else if v := got[i].Value; math.IsNaN(v) || math.Abs(v-w.value) > w.within {
			faults = append(faults, fmt.Sprintf("%v is %g, want %g ± %g", w.labels, v, w.value, w.within))
		}
	}
	return faults
}
