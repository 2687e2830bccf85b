package metrics_test

import (
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"candlemark/agent/alarm"
	"candlemark/agent/feed"
	"candlemark/agent/metrics"
	"candlemark/agent/pack"
	"candlemark/agent/status"
	"candlemark/probes"
	"candlemark/probes/quality"
	"candlemark/sensors"
)

var build = metrics.BuildInfo{Version: "0.1.0", Revision: "abc", GoVersion: "go1.26", Platform: "linux/arm"}

// at is the moment of the example: an invented evening.
var at = time.Date(2026, 3, 14, 18, 30, 0, 0, time.UTC)

// example is a relay where everything is known.
func example() status.Snapshot {
	return status.Snapshot{
		Relay: "stairwell", Site: "east school",
		Taken:   alarm.Instant{Up: 90 * time.Minute, Wall: at},
		Started: at.Add(-90 * time.Minute), ClockSet: true,
		Packs: []status.Pack{{
			Name: "a", SensorName: "ina219 i2c-1/0x40",
			Spec:  pack.Spec{Chemistry: pack.LiIon, SeriesCells: 5, CapacityAh: 8},
			Leads: alarm.Leads{NextPack: 45 * time.Minute, ShutDown: 15 * time.Minute},
			Reading: sensors.Reading{At: at.Add(-time.Second), PackV: 18.5, PackA: 2, BusV: 18.3,
				ErrV: 0.1, ErrA: 0.02, ErrW: 0.6, TempC: 21, TempKnown: true},
			ReadingKnown: true, ReadingUp: 90*time.Minute - time.Second,
			Forecast: pack.Forecast{State: pack.Discharging, Known: true,
				Expected: 2 * time.Hour, Low: 100 * time.Minute, High: 150 * time.Minute, Cautious: 95 * time.Minute,
				ChargeRatio: 0.625, ChargeKnown: true, CapacityAh: 7.5, CapacityKnown: true,
				ResistanceOhm: 0.11, ResistanceKnown: true, LoadW: 37, CutoffV: 15},
			Sensor:      status.SensorCounts{Reads: 5400, Errors: 3, Repairs: 1},
			DischargedC: 10800, DischargedJ: 199800, Swaps: 2,
		}},
		Fit: judged(),
		Targets: append([]status.Target{
			{Name: "terminal", Section: probes.Hop, Kind: probes.Latency, Attempts: 540, Sent: 5400, Lost: 27, Bytes: 907200,
				LastKnown: true, Last: probes.Result{Start: at.Add(-11 * time.Second), Elapsed: time.Second, Latency: &probes.LatencyStats{
					Method: "icmp", Sent: 10, Lost: 1, RTTKnown: true, VariationKnown: true, IPDVKnown: true,
					Min: 2 * time.Millisecond, Median: 3 * time.Millisecond, P95: 9 * time.Millisecond,
					Jitter: 500 * time.Microsecond, IPDVMeanAbs: 600 * time.Microsecond, PDVP95: 7 * time.Millisecond}}},
			{Name: "far", Section: probes.Uplink, Kind: probes.Latency, Attempts: 540, Sent: 5400, Lost: 54, Bytes: 907200,
				LastKnown: true, Last: probes.Result{Start: at.Add(-6 * time.Second), Elapsed: time.Second, Latency: &probes.LatencyStats{
					Method: "icmp", Sent: 10, Lost: 10}}},
			{Name: "wide area", Section: probes.Uplink, Kind: probes.Throughput, Attempts: 2, Failures: 1, Bytes: 30_000_000, NotRun: "data budget spent",
				Energy:    status.ProbeEnergy{MeanWh: 0.02, ErrorWh: 0.004, Measured: 2},
				LastKnown: true, Last: probes.Result{Start: at.Add(-time.Hour), Elapsed: 10 * time.Second, Throughput: &probes.ThroughputStats{
					Down: 80e6, DownKnown: true, IdleRTT: 45 * time.Millisecond, IdleRTTKnown: true}}},
		}, nearEnd()...),
		Alarms: []alarm.Active{{ID: "1", Name: alarm.LinkDown, Severity: alarm.Critical}},
		Receivers: []status.Receiver{
			{Name: "webhook", Attempts: 4, Failures: 1, Dropped: 0, Waiting: 1},
		},
		Trouble: status.Trouble{Known: true, Place: quality.TheUplink, Shown: true, Evidence: "the far side became slower and the hop did not"},
		Data: status.Data{UsedToday: 30_000_000, BudgetPerDay: 200_000_000, UsedMonth: 300_000_000, BudgetPerMonth: 4_000_000_000, Parts: []status.DataPart{
			{Name: "probing", Day: 20_000_000, Month: 200_000_000, Left: 80_000_000, Limited: true},
			{Name: "sending", Day: 9_000_000, Month: 70_000_000, Left: 90_000_000, Limited: true},
			{Name: "catching_up", Day: 1_000_000, Month: 30_000_000, Left: 90_000_000, Limited: true},
		}},
		Energy:  status.Energy{TodayWh: 0.5, Measured: 400, Unmeasured: 3, PacksWh: 100, PacksKnown: true, Stretch: 2},
		Journal: status.Journal{Path: "/var/lib/candlemark/journal.db", Pending: 7, LastSync: at.Add(-30 * time.Second), Dropped: 2, SamplesDropped: 3},
		Feed: &status.Feed{Pack: "a", View: feed.View{Switched: true, Mode: feed.ModeOff, ChangeIn: 45 * time.Minute, ChangeKnown: true,
			Cuts: feed.Cuts{Request: 1, Schedule: 12, Shed: 2}}},
		Forward: &status.Forward{Sent: 1000, Refused: 4, Undated: 5, Expired: 6, Invalid: 7, Waiting: 8, Oldest: at.Add(-time.Hour), OldestKnown: true,
			Requests: 20, Failures: 9, Bytes: 4096, LastSent: at.Add(-time.Minute)},
	}
}

func gathererOf(s status.Snapshot) prometheus.Gatherer {
	return metrics.New(func() status.Snapshot { return s }, build).Gatherer()
}

// text renders the candlemark families in the text format.
func text(t *testing.T, s status.Snapshot) string {
	t.Helper()
	srv := httptest.NewServer(metrics.New(func() status.Snapshot { return s }, build).Handler())
	defer srv.Close()
	resp, err := http.Get(srv.URL)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	var out strings.Builder
	for line := range strings.Lines(string(b)) {
		if strings.Contains(line, "candlemark_") {
			out.WriteString(line)
		}
	}
	return out.String()
}
