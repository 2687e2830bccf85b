package main

import (
	"bytes"
	"strings"
	"testing"

	"candlemark/agent/status"
	"candlemark/probes"
	"candlemark/probes/quality"
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

// One rate is not shared out twice, and where a need comes from is told in words that a
// crew can use.
func TestStatusGivesUsersAsAChoiceAndNoProvenance(t *testing.T) {
	m := quality.Measured{RTTMs: quality.Known(40), VariationMs: quality.Known(2), LoadedRTTMs: quality.Known(60), LoadedVarMs: quality.Known(5),
		Sent: 500, DownBitS: quality.Known(50e6), UpBitS: quality.Known(12e6)}
	fit, err := quality.Judge(m, quality.DefaultNeeds())
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	printFit(&b, fit, true)
	// Up is the narrower way: 0.75 x 12 Mbit/s over 100 kbit/s a call and 1 Mbit/s a meeting.
	if want := "either about 90 calls or 9 meetings or "; !strings.Contains(b.String(), want) || !strings.Contains(b.String(), "by rate alone; not tried") {
		t.Errorf("%s, want %q", b.String(), want)
	}
	for _, bad := range []string{"from memory", "maker's manual", "at once:"} {
		if strings.Contains(b.String(), bad) {
			t.Errorf("says %q:\n%s", bad, b.String())
		}
	}
}
