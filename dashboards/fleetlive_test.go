package dashboards_test

import (
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"candlemark/agent/alarm"
	"candlemark/agent/metrics"
	"candlemark/agent/status"
	"candlemark/dashboards"
	"candlemark/deploy/promtest"
	"candlemark/probes/quality"
)

// When the two relays that push were last heard before the test began: one still
// counts as heard, the other does not.
const (
	depotAge = 60 * time.Second
	ferryAge = 200 * time.Second
)

// gym is in need: its pack is nearly out, its uplink loses half, its data is spent.
func gym(began, now time.Time) status.Snapshot {
	s := truth(began, now)
	s.Relay, s.Site = "gym", "west school"
	f := &s.Packs[0].Forecast
	f.Expected, f.Cautious, f.ChargeRatio = 20*time.Minute, 10*time.Minute, 0.125
	second := s.Packs[0]
	second.Name = "b"
	second.Forecast.Expected, second.Forecast.Cautious, second.Forecast.ChargeRatio = 5*time.Hour, 4*time.Hour, 0.75
	s.Packs = append(s.Packs, second)
	s.Targets[1].Lost = s.Targets[1].Sent / 2
	s.Targets[1].Last.Latency.Lost = s.Targets[1].Last.Latency.Sent // no answer in the last burst
	s.Trouble = status.Trouble{Known: true, Place: quality.TheUplink}
	s.Alarms = []alarm.Active{
		{ID: "1", Name: alarm.ShutTerminalDown, Severity: alarm.Critical, Subject: "a", Acknowledged: &alarm.Acknowledged{}},
		{ID: "2", Name: alarm.BringNextPack, Severity: alarm.Warning, Subject: "a"},
		{ID: "3", Name: alarm.BringNextPack, Severity: alarm.Warning, Subject: "b"},
	}
	s.Data = status.Data{UsedToday: 180_000_000, BudgetPerDay: 200_000_000, UsedMonth: 1_500_000_000, BudgetPerMonth: 2_000_000_000,
		Parts: []status.DataPart{{Name: "probing", Month: 1_000_000_000}, {Name: "sending", Month: 500_000_000}}}
	return s
}

func TestEveryQueryAboutAllRelaysGivesTheTruth(t *testing.T) {
	t.Parallel()
	began := time.Now().Add(-time.Hour)
	var targets []promtest.Target
	add := func(labels map[string]string, view func(began, now time.Time) status.Snapshot) {
		relay := httptest.NewServer(metrics.New(func() status.Snapshot { return view(began, time.Now()) }, metrics.BuildInfo{}).Handler())
		t.Cleanup(relay.Close)
		targets = append(targets, promtest.Target{Address: strings.TrimPrefix(relay.URL, "http://"), Labels: labels})
	}
	add(map[string]string{"relay": "stairwell", "site": "east school", "incident": "flood"}, truth)
	add(map[string]string{"relay": "gym", "site": "west school", "incident": "flood"}, gym)
	add(map[string]string{"relay": "spare"}, truth) // without site and incident
	prom := promtest.Start(t, promtest.Config{Targets: targets, Receive: true, OutOfOrderWindow: "120h",
		RulesFiles: []string{"../deploy/prometheus/rules.yaml"}, HoldFor: "1s"})

	// Two relays push: what they measured a while ago.
	start := time.Now().Truncate(time.Millisecond)
	var pushed []*promtest.Series
	push := func(relay string, age, expected, cautious time.Duration) {
		for name, value := range map[string]float64{
			"candlemark_build_info": 1, "candlemark_agent_step_time_seconds": 5000,
			"candlemark_pack_runtime_seconds": expected.Seconds(), "candlemark_pack_runtime_cautious_seconds": cautious.Seconds(),
			"candlemark_pack_next_pack_lead_seconds": 1800, "candlemark_pack_charge_ratio": 0.5,
		} {
			labels := []string{"job", "candlemark", "relay", relay, "site", "river", "incident", "flood"}
			if strings.Contains(name, "_pack_") {
				labels = append(labels, "pack", "a")
			}
			s := promtest.NewSeries(name, labels...)
			s.Points = []promtest.Point{{Milliseconds: start.Add(-age).UnixMilli(), Value: value}}
			pushed = append(pushed, s)
		}
	}
	push("depot", depotAge, 90*time.Minute, time.Hour)
	push("ferry", ferryAge, 50*time.Minute, 45*time.Minute)
	if err := promtest.NewWriter(t, prom).Write(t.Context(), pushed); err != nil {
		t.Fatal(err)
	}
	prom.WaitScraped(t, 8)
	prom.WaitQuery(t, `count(relay:candlemark_agent_step_time_seconds:heard_timestamp) == 5`)

	values := map[string]string{"relay": ".*", "site": ".*", "incident": ".*"}
	compareAll(t, prom, dashboards.Fleet(), allRelays(start), values)
	choices(t, prom, dashboards.Fleet(), values, map[string][]string{
		"site": {"east school", "river", "west school"}, "incident": {"flood"}, "relay": {"depot", "ferry", "gym", "spare", "stairwell"}})
	inOrder(t, prom, values)
	mark := dashboards.Expand(dashboards.Fleet().Marks[0].Expr, values)
	for _, fault := range compare(prom.Query(t, mark), []want{on("relay", "ferry", 1)}) {
		t.Errorf("%s: %s", mark, fault)
	}
	chosenOnly(t, prom)
}

// allRelays is the truth by panel and query.
func allRelays(start time.Time) map[string][]want {
	since := time.Since(start).Seconds()
	near := func(relay string, value, within float64) want {
		return want{map[string]string{"relay": relay}, value, within}
	}
	const late = 2.5 // s: a scrape, then an evaluation of the rules, each within a second of the last
	each := func(stairwell, gym, spare float64) []want {
		return []want{on("relay", "stairwell", stairwell), on("relay", "gym", gym), on("relay", "spare", spare)}
	}
	pushed := func(wants []want, depot, ferry float64) []want {
		return append(wants, on("relay", "depot", depot), on("relay", "ferry", ferry))
	}
	uplink := func(wants []want, within float64) []want {
		for i := range wants {
			wants[i].within = within
		}
		return wants
	}
	ferryOut := 2700 - ferryAge.Seconds() - since
	row := func(relay, alarm string, value float64) want {
		return want{map[string]string{"relay": relay, "alarm": alarm}, value, 1e-9}
	}
	return map[string][]want{
		"Heard/A":             one(4),
		"Silent/A":            one(1),
		"Next pack due/A":     one(1),
		"Critical alarms/A":   one(1),
		"Uplink at fault/A":   one(1),
		"Data nearly spent/A": one(1),

		"Who runs out first/A": {near("stairwell", 5700, late), near("gym", 600, late), near("spare", 5700, late),
			near("depot", 3600-depotAge.Seconds()-since, late), near("ferry", ferryOut, late)},
		"Who runs out first/B": pushed(each(7200, 1200, 7200), 5400, 3000),
		"Who runs out first/C": pushed(each(5700-2700, 600-2700, 5700-2700), 3600-1800, 2700-1800),
		"Who runs out first/D": pushed(each(0.625, 0.125, 0.625), 0.5, 0.5),
		"Who is silent/A":      {near("ferry", ferryAge.Seconds()+since, late)},
		"Who is silent/B":      {near("ferry", ferryOut, late)},

		"Whose uplink is bad/A": uplink(each(lossShare, 0.5, lossShare), 1e-3), // whole packets
		"Whose uplink is bad/B": each(0.09, 0.09, 0.09),
		"Whose uplink is bad/C": each(1, 0, 1),
		"Whose uplink is bad/D": each(1, 1, 1), // voice

		"Data used against budget/A": each(0.15, 0.9, 0.15),
		"Data used against budget/B": each(30e6, 180e6, 30e6),
		"Data used against budget/C": each(200e6, 200e6, 200e6),
		"Data used against budget/D": {on("relay", "gym", 0.75)},

		"Open alarms/A": {row("stairwell", "hop_down", 1), row("stairwell", "clock_not_set", 1), row("spare", "hop_down", 1), row("spare", "clock_not_set", 1),
			row("gym", "shut_terminal_down", 1), row("gym", "bring_next_pack", 2)},
		"Open alarms/B": {row("stairwell", "hop_down", 0), row("stairwell", "clock_not_set", 0), row("spare", "hop_down", 0), row("spare", "clock_not_set", 0),
			row("gym", "shut_terminal_down", 1), row("gym", "bring_next_pack", 0)},

		"Heard and silent/A":        one(4),
		"Heard and silent/B":        one(1),
		"Open alarms by severity/A": one(1),
		"Open alarms by severity/B": one(4),
		"Open alarms by severity/C": one(2),
		"Relays that may run out/A": one(3), // gym, ferry, and depot since a minute
		"Relays that may run out/B": one(5),
	}
}

// inOrder checks that the first row is that of the relay in greatest need.
func inOrder(t *testing.T, prom *promtest.Server, values map[string]string) {
	t.Helper()
	for _, s := range dashboards.Fleet().Sections {
		for _, p := range s.Panels {
			if p.Table == nil || len(p.Table.SortBy) != 1 {
				continue
			}
			rows := prom.Query(t, dashboards.Expand(p.Queries[0].Expr, values))
			for i := 1; i < len(rows); i++ {
				if up := rows[i-1].Value <= rows[i].Value; rows[i-1].Value != rows[i].Value && up == p.Table.Desc {
					t.Errorf("%s: row %d is out of order: %v", p.Title, i, rows)
				}
			}
		}
	}
}

// chosenOnly checks that no query answers for relays that were not chosen, whichever
// variable leaves them out.
func chosenOnly(t *testing.T, prom *promtest.Server) {
	t.Helper()
	for _, values := range []map[string]string{
		{"relay": "gym|ferry", "site": ".*", "incident": ".*"},
		{"relay": ".*", "site": "west school|river", "incident": ".*"},
		{"relay": "depot|gym|spare", "site": ".*", "incident": "flood"},
	} {
		for _, s := range dashboards.Fleet().Sections {
			for _, p := range s.Panels {
				for _, q := range p.Queries {
					for _, row := range prom.Query(t, dashboards.Expand(q.Expr, values)) {
						relay, named := row.Labels["relay"]
						if named && (relay == "stairwell" || relay == "spare") {
							t.Errorf("%s/%s answers for %s where %v were chosen", p.Title, q.Ref, relay, values)
						}
					}
				}
			}
		}
		heard := dashboards.Expand(dashboards.Fleet().Sections[0].Panels[0].Queries[0].Expr, values)
		if rows := prom.Query(t, heard); len(rows) != 1 || rows[0].Value >= 4 {
			t.Errorf("%s counts relays that were not chosen: %v", heard, rows)
		}
	}
}
