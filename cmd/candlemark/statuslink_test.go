package main

import (
	"strings"
	"testing"

	"candlemark/agent/status"
	"candlemark/probes"
)

// What was not measured under load is told with its reason, and not left out.
func TestStatusSaysWhyNothingWasMeasuredUnderLoad(t *testing.T) {
	line := targetLine(status.Target{LastKnown: true, Last: probes.Result{Throughput: &probes.ThroughputStats{
		Down: 40e6, DownKnown: true, DownDetail: &probes.Transfer{LoadedWhy: "the load was over too soon (byte_budget)"},
	}}})
	if want := "down 40.0 Mbit/s (nothing under load: the load was over too soon (byte_budget))"; !strings.Contains(line, want) {
		t.Errorf("%q, want %q", line, want)
	}
}
