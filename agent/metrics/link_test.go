package metrics_test

import (
	"strings"
	"testing"
	"time"

	"candlemark/agent/metrics"
	"candlemark/agent/status"
	"candlemark/probes"
	"candlemark/probes/quality"
)

// nearEnd is what is measured against a reflector, and a service.
func nearEnd() []status.Target {
	const ms = time.Millisecond
	delays := []time.Duration{100 * ms, 100 * ms, 100 * ms}
	return []status.Target{
		{Name: "reflector", Section: probes.Hop, Kind: probes.Latency, Attempts: 3, Sent: 30, Lost: 2, Bytes: 2160, Spent: 6 * time.Second,
			RTTs:    status.Histogram{Counts: []uint64{1, 20, 5, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 2}, Sum: 5 * time.Second},
			Forward: status.DirectionSum{Known: true, Sent: 30, Lost: 2}, Backward: status.DirectionSum{Known: true, Sent: 28},
			LastKnown: true, Last: probes.Result{Start: at.Add(-9 * time.Second), Elapsed: 2 * time.Second, Latency: &probes.LatencyStats{
				Method: "stamp", Sent: 10, Lost: 1, RTTKnown: true, Min: 1 * ms, Median: 2 * ms, P95: 4 * ms,
				Forth: &probes.Direction{Sent: 10, Lost: 1, LossKnown: true, VariationKnown: true, Jitter: 250 * time.Microsecond, PDVP95: 3 * ms, IPDVKnown: true, IPDVMeanAbs: 500 * time.Microsecond},
				Back:  &probes.Direction{Sent: 9, LossKnown: true}}}},
		{Name: "hop rate", Section: probes.Hop, Kind: probes.Throughput, Attempts: 1, Bytes: 12_000_000, Spent: 9 * time.Second, LastError: "up: stalled", Failures: 1,
			LastKnown: true, Last: probes.Result{Start: at.Add(-time.Hour), Elapsed: 9 * time.Second, Throughput: &probes.ThroughputStats{
				Down: 40e6, DownKnown: true, DownDetail: &probes.Transfer{
					BitS: 40e6, HalfWidth: 0.0625, HalfWidthKnown: true, SpentBytes: 12e6, Elapsed: 2500 * ms,
					Loaded:  &probes.LatencyStats{Sent: 200, RTTKnown: true, Median: 60 * ms, P95: 90 * ms},
					Working: &probes.WorkingDelays{TCP: delays, HTTP: delays, Loaded: delays},
					TCP: probes.TCPFigures{BaselineRTT: 25 * ms, BaselineKnown: true, BDPBits: 1e6, Efficiency: 0.5, EfficiencyKnown: true,
						BufferDelay: 0.25, BufferDelayKnown: true, TransferTimeRatio: 1.5, TimeRatioKnown: true}}}}},
		{Name: "forms", Section: probes.Uplink, Kind: probes.Service, Attempts: 12, Failures: 1, Bytes: 90_000, Spent: 20 * time.Second,
			LastKnown: true, Last: probes.Result{Start: at.Add(-time.Minute), Elapsed: 750 * ms, Service: &probes.ServiceStats{
				Check: "page", Problem: "answered 503", Connect: 125 * ms, ConnectKnown: true, FirstByte: 500 * ms, FirstByteKnown: true}}},
	}
}

func judged() []quality.Verdict {
	v, err := quality.Judge(quality.Measured{DownBitS: quality.Known(20e6), UpBitS: quality.Known(4e6), Sent: 400}, quality.DefaultNeeds())
	if err != nil {
		panic(err)
	}
	return v
}

func TestFiguresOfLinkAndServiceAreInBaseUnits(t *testing.T) {
	got := text(t, example())
	for _, line := range []string{
		// Of 28 answers 1, 21 and 26 are up to 1, 2 and 5 ms, and two above 2 s.
		`candlemark_link_rtt_seconds_bucket{section="hop",target="reflector",le="0.001"} 1`,
		`candlemark_link_rtt_seconds_bucket{section="hop",target="reflector",le="0.002"} 21`,
		`candlemark_link_rtt_seconds_bucket{section="hop",target="reflector",le="2"} 26`,
		`candlemark_link_rtt_seconds_bucket{section="hop",target="reflector",le="+Inf"} 28`,
		`candlemark_link_rtt_seconds_sum{section="hop",target="reflector"} 5`,
		`candlemark_link_rtt_seconds_count{section="hop",target="reflector"} 28`,
		`candlemark_link_direction_packets_lost_total{direction="forward",section="hop",target="reflector"} 2`,
		`candlemark_link_direction_packets_lost_total{direction="backward",section="hop",target="reflector"} 0`,
		`candlemark_link_direction_loss_ratio{direction="forward",section="hop",target="reflector"} 0.1`,
		`candlemark_link_direction_pdv_p95_seconds{direction="forward",section="hop",target="reflector"} 0.003`,
		`candlemark_link_responsiveness_per_second{direction="down",section="hop",target="hop rate"} 10`, // 100 ms: checks E30
		`candlemark_link_loaded_request_seconds{direction="down",percentile="99",section="hop",target="hop rate"} 0.1`,
		`candlemark_link_bandwidth_delay_product_bytes{direction="down",section="hop",target="hop rate"} 125000`, // 1 Mbit
		`candlemark_link_transfer_spent_seconds{direction="down",section="hop",target="hop rate"} 2.5`,
		`candlemark_link_download_bytes_per_second{section="hop",target="hop rate"} 5e+06`, // beside the error of the other direction
		`candlemark_probe_seconds_total{kind="throughput",section="hop",target="hop rate"} 9`,
		`candlemark_service_up{section="uplink",target="forms"} 0`,
		`candlemark_service_duration_seconds{section="uplink",target="forms"} 0.75`,
		`candlemark_service_step_seconds{section="uplink",step="connect",target="forms"} 0.125`,
		`candlemark_link_fit{use="voice",verdict="cannot_tell"} 1`,
		`candlemark_link_fit{use="file_transfer",verdict="good"} 0`,
	} {
		if !strings.Contains(got, line+"\n") {
			t.Errorf("no line %q", line)
		}
	}
	for _, none := range []string{
		`candlemark_link_direction_jitter_seconds{direction="backward"`, // not known of that burst
		`candlemark_link_transfer_spent_bytes{direction="up"`,           // it failed
		`candlemark_service_step_seconds{section="uplink",step="tls"`,
		`candlemark_link_rtt_seconds_count{section="uplink",target="far"}`, // nothing was ever answered
		`candlemark_link_direction_loss_ratio{direction="forward",section="hop",target="terminal"}`,
	} {
		if strings.Contains(got, none) {
			t.Errorf("there is %q, which was not measured", none)
		}
	}
	// Wilson 1927 for 1 of 10: 1.8 % to 40.4 % (computed).
	for _, end := range []string{`candlemark_link_loss_low_ratio{section="hop",target="reflector"} 0.0178`, `candlemark_link_loss_high_ratio{section="hop",target="reflector"} 0.404`} {
		if !strings.Contains(got, end) {
			t.Errorf("no line that begins with %q", end)
		}
	}
}

// The help states how many series the histogram makes.
func TestTheHistogramHasTheSeriesItStates(t *testing.T) {
	n := strings.Count(text(t, example()), `section="hop",target="reflector"`+`,le="`) + 2
	for _, f := range metrics.Families() {
		if f.Type == metrics.Histogram && (n != 18 || !strings.Contains(f.Help, "18 series")) {
			t.Errorf("%d series; help: %s", n, f.Help)
		}
	}
}
