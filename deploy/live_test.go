package deploy_test

import (
	"context"
	"testing"
	"time"

	"candlemark/agent/alarm"
	"candlemark/agent/httpd"
	"candlemark/agent/metrics"
	"candlemark/agent/status"
	"candlemark/deploy/promtest"
)

// An agent that answers is watched in silence; when it goes, the rule fires and
// Alertmanager holds it with the words for people.
func TestSilenceReachesAlertmanager(t *testing.T) {
	began := time.Now()
	view := func() status.Snapshot {
		return status.Snapshot{Relay: "stairwell", ClockSet: true, Taken: alarm.Instant{Up: time.Since(began), Wall: time.Now()}}
	}
	agent := httpd.New(httpd.Config{Listen: "127.0.0.1:0"}, metrics.New(view, metrics.BuildInfo{}).Handler(), view)
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	ended := make(chan error, 1)
	go func() { ended <- agent.Run(ctx) }()
	select {
	case <-agent.Ready():
	case err := <-ended:
		t.Fatal(err)
	}
	manager := promtest.StartAlertmanager(t)
	prom := promtest.Start(t, promtest.Config{
		Targets:         []promtest.Target{{Address: agent.Addr(), Labels: map[string]string{"relay": "stairwell"}}},
		RulesFiles:      []string{"prometheus/rules.yaml"},
		AlertmanagerURL: manager.URL,
		HoldFor:         "1s",
	})
	prom.WaitScraped(t, 4)
	for _, a := range prom.Alerts(t) {
		if a.Labels["alertname"] == "CandlemarkSilent" || a.Labels["alertname"] == "CandlemarkNotWatched" {
			t.Errorf("an agent that answers: %v", a)
		}
	}

	stop()
	if err := <-ended; err != nil {
		t.Fatal(err)
	}
	got := manager.WaitFor(t, "alertname", "CandlemarkSilent")
	if got.Labels["relay"] != "stairwell" || got.Labels["severity"] != "critical" || got.Annotations["summary"] != "Relay stairwell is silent." {
		t.Errorf("alertmanager holds %+v", got)
	}
}
