package probes

import (
	"errors"
	"fmt"
	"testing"
)

func TestAnsweredTellsTheLinkFromTheMeasurement(t *testing.T) {
	for name, c := range map[string]struct {
		result          Result
		answered, known bool
	}{
		"one answer of ten":            {Result{Latency: &LatencyStats{Sent: 10, Lost: 9}}, true, true},
		"no answer":                    {Result{Latency: &LatencyStats{Sent: 10, Lost: 10}}, false, true},
		"nothing sent":                 {Result{Latency: &LatencyStats{}}, false, false},
		"name not resolved":            {Result{Err: fmt.Errorf("latency sky: %w: no such host", ErrNoName)}, false, true},
		"not permitted or interrupted": {Result{Err: errors.New("permission denied")}, false, false},
		"one direction carried":        {Result{Throughput: &ThroughputStats{UpKnown: true}, Err: errors.New("down: stalled")}, true, true},
		"empty":                        {Result{}, false, false},
	} {
		if answered, known := c.result.Answered(); answered != c.answered || known != c.known {
			t.Errorf("%s: answered %v known %v, want %v %v", name, answered, known, c.answered, c.known)
		}
	}
}

func TestLossRatioOfNothingSentIsUnknown(t *testing.T) {
	if _, ok := (LatencyStats{}).LossRatio(); ok {
		t.Error("a ratio of no packets is known")
	}
	if ratio, ok := (LatencyStats{Sent: 8, Lost: 2}).LossRatio(); !ok || ratio != 0.25 {
		t.Errorf("ratio %v known %v, want 0.25", ratio, ok)
	}
}
