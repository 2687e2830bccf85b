package metrics_test

import (
	"errors"
	"flag"
	"net/http"
	"net/http/httptest"
	"os"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/prometheus/client_golang/prometheus/testutil"

	"candlemark/agent/metrics"
	"candlemark/agent/pack"
	"candlemark/agent/status"
	"candlemark/probes"
)

var update = flag.Bool("update", false, "write the golden file anew")

func TestTextOfAKnownSnapshot(t *testing.T) {
	const golden = "testdata/known.txt"
	got := text(t, example())
	if *update {
		if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(want), got); d != "" {
		t.Errorf("metrics text (-golden +got; -update writes it anew):\n%s", d)
	}
	// What must hold whatever the golden file says.
	for _, line := range []string{
		`candlemark_pack_power_watts{pack="a"} 37`,
		`candlemark_pack_runtime_seconds{pack="a"} 7200`,
		`candlemark_pack_capacity_coulombs{pack="a"} 27000`,                                    // 7.5 Ah × 3600 C/Ah
		`candlemark_link_download_bytes_per_second{section="uplink",target="wide area"} 1e+07`, // 80 Mbit/s ÷ 8
		`candlemark_pack_state{pack="a",state="charging"} 0`,
		`candlemark_pack_state{pack="a",state="discharging"} 1`,
		`candlemark_alarm_active{alarm="link_down",severity="critical",subject=""} 1`,
		`candlemark_alarm_active{alarm="feed_cut_coming",severity="critical",subject="a"} 0`,
		`candlemark_feed_on{pack="a"} 0`,
		`candlemark_feed_next_change_seconds{pack="a"} 2700`,
		`candlemark_feed_cuts_total{cause="schedule",pack="a"} 12`,
		`candlemark_forward_backlog_age_seconds 3600`,
		`candlemark_alarm_active{alarm="shut_terminal_down",severity="critical",subject="a"} 0`,
		`candlemark_alarm_active{alarm="hop_down",severity="warning",subject="terminal"} 0`,
	} {
		if !strings.Contains(got, line+"\n") {
			t.Errorf("no line %q", line)
		}
	}
}

func TestEveryFamilyIsInTheGolden(t *testing.T) {
	got := text(t, example())
	for _, f := range metrics.Families() {
		// The upload rate is the example's unknown direction.
		if f.Name != "candlemark_link_upload_bytes_per_second" && !strings.Contains(got, "# TYPE "+f.Name+" "+string(f.Type)+"\n") {
			t.Errorf("%s is described but not exported where everything is known", f.Name)
		}
	}
}

func TestLint(t *testing.T) {
	problems, err := testutil.GatherAndLint(gathererOf(example()))
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		t.Errorf("%s: %s", p.Metric, p.Text)
	}
}

func TestUnknownHasNoSeries(t *testing.T) {
	seen := func(s status.Snapshot) map[string]bool {
		names := map[string]bool{}
		families, err := gathererOf(s).Gather()
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range families {
			names[strings.TrimPrefix(f.GetName(), "candlemark_")] = true
		}
		return names
	}
	readings := []string{"pack_voltage_volts", "pack_current_amperes", "pack_power_watts", "pack_voltage_error_volts",
		"pack_current_error_amperes", "pack_power_error_watts", "pack_temperature_celsius", "pack_current_clipped", "sensor_settings_fault"}
	forecasts := []string{"pack_runtime_seconds", "pack_runtime_low_seconds", "pack_runtime_high_seconds",
		"pack_runtime_cautious_seconds", "pack_load_watts", "pack_cutoff_volts"}
	bursts := []string{"link_up", "link_loss_ratio", "link_rtt_min_seconds", "link_rtt_median_seconds", "link_rtt_p95_seconds",
		"link_jitter_seconds", "link_ipdv_mean_abs_seconds", "link_pdv_p95_seconds"}
	for name, c := range map[string]struct {
		change func(*status.Snapshot)
		absent []string
		there  []string
	}{
		"reading gone stale": {
			func(s *status.Snapshot) { s.Packs[0].Stale = true },
			readings, []string{"pack_reading_timestamp_seconds", "sensor_up", "pack_discharged_joules_total"},
		},
		"no reading yet": {
			func(s *status.Snapshot) { s.Packs[0].ReadingKnown = false },
			append([]string{"pack_reading_timestamp_seconds"}, readings...), []string{"sensor_up", "sensor_errors_total"},
		},
		"temperature not measured": {
			func(s *status.Snapshot) { s.Packs[0].Reading.TempKnown = false },
			[]string{"pack_temperature_celsius"}, []string{"pack_voltage_volts"},
		},
		"no forecast": {
			func(s *status.Snapshot) { s.Packs[0].Forecast = pack.Forecast{State: pack.Charging} },
			append([]string{"pack_charge_ratio", "pack_capacity_coulombs", "pack_resistance_ohms"}, forecasts...),
			[]string{"pack_state", "pack_next_pack_lead_seconds"},
		},
		"probe cannot measure any more": {
			func(s *status.Snapshot) {
				s.Targets = s.Targets[:1]
				s.Targets[0].LastError, s.Targets[0].LastOld = "no route", true
			},
			bursts, []string{"link_packets_sent_total", "probe_failures_total", "probe_last_result_timestamp_seconds"},
		},
		"every packet lost": {
			func(s *status.Snapshot) { s.Targets = s.Targets[1:2] },
			bursts[2:], bursts[:2],
		},
		"nothing probed yet": {
			func(s *status.Snapshot) {
				s.Targets = s.Targets[:1]
				s.Targets[0].LastKnown, s.Targets[0].Last = false, probes.Result{}
			},
			append([]string{"probe_last_result_timestamp_seconds"}, bursts...), []string{"probe_attempts_total"},
		},
		"no data budget": {
			func(s *status.Snapshot) { s.Data.BudgetPerDay = 0 },
			[]string{"data_budget_bytes"}, []string{"data_used_today_bytes"},
		},
		"journal never written, clock and start not known": {
			func(s *status.Snapshot) {
				s.Journal.LastSync, s.Started, s.Taken.Wall = time.Time{}, time.Time{}, time.Time{}
			},
			[]string{"journal_last_sync_timestamp_seconds", "agent_start_timestamp_seconds", "agent_clock_timestamp_seconds"},
			[]string{"journal_pending_records", "agent_step_time_seconds"},
		},
		"an agent that has only just started": {
			func(s *status.Snapshot) { *s = status.Snapshot{} },
			append(readings, forecasts...), []string{"build_info", "agent_step_time_seconds", "alarm_active"},
		},
	} {
		t.Run(name, func(t *testing.T) {
			s := example()
			c.change(&s)
			names := seen(s)
			for _, n := range c.absent {
				if names[n] {
					t.Errorf("candlemark_%s is exported", n)
				}
			}
			for _, n := range c.there {
				if !names[n] {
					t.Errorf("candlemark_%s is missing", n)
				}
			}
		})
	}
}

func TestSensorUp(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*status.Pack)
		want   string
	}{
		"reads":                     {func(*status.Pack) {}, "1"},
		"last read failed":          {func(p *status.Pack) { p.LastError = "nack" }, "0"},
		"stale without an error":    {func(p *status.Pack) { p.Stale = true }, "0"},
		"never read, without error": {func(p *status.Pack) { p.ReadingKnown = false }, "0"},
	} {
		t.Run(name, func(t *testing.T) {
			s := example()
			c.change(&s.Packs[0])
			if line := `candlemark_sensor_up{pack="a"} ` + c.want + "\n"; !strings.Contains(text(t, s), line) {
				t.Errorf("no line %q", line)
			}
		})
	}
}

func TestEmptyStateIsUnknown(t *testing.T) {
	s := example()
	s.Packs[0].Forecast = pack.Forecast{}
	if line := `candlemark_pack_state{pack="a",state="unknown"} 1` + "\n"; !strings.Contains(text(t, s), line) {
		t.Errorf("no line %q", line)
	}
}

// A state that the pack's package declares and metrics does not know would leave
// a pack in no state at all.
func TestEveryDeclaredStateIsExported(t *testing.T) {
	src, err := os.ReadFile("../pack/pack.go")
	if err != nil {
		t.Fatal(err)
	}
	got := text(t, example())
	states := regexp.MustCompile(`State = "(\w+)"`).FindAllSubmatch(src, -1)
	if len(states) < 5 {
		t.Fatalf("%d states are declared in pack.go", len(states))
	}
	for _, m := range states {
		if !strings.Contains(got, `candlemark_pack_state{pack="a",state="`+string(m[1])+`"}`) {
			t.Errorf("state %s is not exported", m[1])
		}
	}
}

func TestNoAlarmForWhatIsNotProbed(t *testing.T) {
	s := example()
	s.Alarms, s.Targets = nil, nil
	got := text(t, s)
	if strings.Contains(got, `alarm="link_down"`) || strings.Contains(got, `alarm="hop_down"`) {
		t.Errorf("link alarms are exported as 0 though nothing probes the link:\n%s", got)
	}
}

// naming.md: keep a metric's cardinality under 10, rethink over 100. A relay
// with four packs and ten targets is large.
func TestCardinalityOfALargeRelay(t *testing.T) {
	s := example()
	for i := range 3 {
		p := s.Packs[0]
		p.Name = string(rune('b' + i))
		s.Packs = append(s.Packs, p)
	}
	for i := range 7 {
		target := s.Targets[0]
		target.Name = string(rune('k' + i))
		target.RTTs = status.Histogram{Counts: make([]uint64, 16)}
		s.Targets = append(s.Targets, target)
	}
	families, err := gathererOf(s).Gather()
	if err != nil {
		t.Fatal(err)
	}
	total := 0
	for _, f := range families {
		n := len(f.GetMetric())
		total += n
		if n > 100 {
			t.Errorf("%s has %d series", f.GetName(), n)
		}
	}
	if total < 200 || total > 1000 {
		t.Errorf("%d series in all, expected some hundreds", total)
	}
}

// What an error says is unbounded, so it must not become a label.
func TestErrorTextsAreNoLabels(t *testing.T) {
	const words = "some words"
	s := example()
	s.Packs[0].LastError, s.Packs[0].Forecast.Why = words, words
	s.Targets[0].LastError, s.Targets[2].NotRun = words, words
	s.Journal.LastError, s.Receivers[0].LastError = words, words
	s.Alarms[0].Title, s.Alarms[0].Action, s.Alarms[0].ID = words, words, words
	if got := text(t, s); strings.Contains(got, words) {
		t.Errorf("a text is a label:\n%s", got)
	}
}

func TestOddNamesCostNoScrape(t *testing.T) {
	s := example()
	s.Relay = "not utf-8: \xff"
	twin := s.Targets[0]
	s.Targets = append(s.Targets, twin) // two targets of one name and kind
	got := text(t, s)
	if !strings.Contains(got, "candlemark_pack_voltage_volts{") || !strings.Contains(got, "candlemark_relay_info{") {
		t.Errorf("an odd name cost more than its own series:\n%s", got)
	}
}

func TestScrapesAtOnce(t *testing.T) {
	h := metrics.New(example, build).Handler()
	var wg sync.WaitGroup
	errs := make(chan error, 64)
	for range 4 {
		wg.Go(func() {
			for range 16 {
				w := httptest.NewRecorder()
				h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/metrics", nil))
				if w.Code != http.StatusOK || !strings.Contains(w.Body.String(), "candlemark_pack_voltage_volts") {
					errs <- errors.New("a scrape failed: " + w.Body.String())
				}
			}
		})
	}
	wg.Wait()
	close(errs)
	for err := range errs {
		t.Error(err)
	}
}

func TestReferenceNamesEveryFamily(t *testing.T) {
	ref := metrics.Reference()
	if got, want := strings.Count(ref, "\n"), len(metrics.Families())+2; got != want {
		t.Errorf("%d lines, want %d", got, want)
	}
	for _, f := range metrics.Families() {
		if !metrics.Names()[f.Name] || !strings.Contains(ref, "| `"+f.Name+"` | "+string(f.Type)+" |") || f.Help == "" {
			t.Errorf("%s is not described", f.Name)
		}
		if strings.Contains(f.Help, "|") {
			t.Errorf("%s: its help breaks the table", f.Name)
		}
	}
}

func BenchmarkScrape(b *testing.B) {
	h := metrics.New(example, build).Handler()
	b.ReportAllocs()
	for b.Loop() {
		h.ServeHTTP(httptest.NewRecorder(), httptest.NewRequest(http.MethodGet, "/metrics", nil))
	}
}
