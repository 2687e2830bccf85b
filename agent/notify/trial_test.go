package notify

import (
	"encoding/json"
	"net/http"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"candlemark/agent/alarm"
	"candlemark/agent/status"
)

func TestATestReachesEveryReceiverMarkedAndSaysWhatEachAnswered(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &fake{answer: func(_ int, r *http.Request) (*http.Response, error) {
			if r.URL.Host == "ill.test" {
				return respond(500)
			}
			return respond(204)
		}}
		ill := webhook()
		ill.Name, ill.URL = "ill", "http://ill.test"
		n, err := New(Config{Relay: "relay-1", Run: "r1", Receivers: []Receiver{webhook(), alertmanager(), ill}, Client: &http.Client{Transport: f}})
		if err != nil {
			t.Fatal(err)
		}
		got := n.Test(t.Context())
		if len(got) != 3 || got[0] != (status.Trial{Receiver: "hook", Answer: "answered 204 No Content"}) || got[1].Answer != "answered 204 No Content" ||
			got[2].Receiver != "ill" || got[2].Answer != "" || !strings.Contains(got[2].Fault, "answered 500") {
			t.Errorf("%+v", got)
		}
		for _, r := range f.requests() {
			if strings.Contains(r.url, "/api/v2/alerts") {
				var alerts []alert
				if err := json.Unmarshal(r.body, &alerts); err != nil {
					t.Fatal(err)
				}
				a := alerts[0]
				if len(alerts) != 1 || a.Labels["alertname"] != TestAlert || a.Labels["severity"] != "notice" || a.Labels["relay"] != "relay-1" || time.Until(parse(t, a.EndsAt)) != testLasts {
					t.Errorf("%+v", alerts)
				}
				continue
			}
			var m Message
			if err := json.Unmarshal(r.body, &m); err != nil {
				t.Fatal(err)
			}
			if m.State != Testing || m.Title != "this is a test of the alarms" || m.Severity != alarm.Notice || !strings.HasPrefix(m.MessageID, "test-r1-") {
				t.Errorf("%+v", m)
			}
		}
		if s := n.Status()[0]; s.Attempts != 1 || s.Waiting != 0 {
			t.Errorf("%+v", s)
		}
	})
}

func TestHeartbeatGoesOnWhateverWaits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &fake{}
		f.answer = func(i int, _ *http.Request) (*http.Response, error) {
			var m Message
			if err := json.Unmarshal(f.requests()[i].body, &m); err == nil && m.State == Raised {
				return respond(503)
			}
			return respond(200)
		}
		r := webhook()
		r.HeartbeatEvery = 5 * time.Minute
		running(t, f, r, func(n *Notifier) {
			time.Sleep(time.Minute)
			a := shut("1")
			n.Publish(raise(a), list(a))
			time.Sleep(29 * time.Minute)
		})
		ids, titles := map[string]bool{}, map[string]int{}
		for _, m := range f.messages(t) {
			if m.State == Alive {
				ids[m.MessageID] = true
				titles[m.Title]++
			}
		}
		// At 0, 5, … 30 min.
		if len(ids) != 7 || titles["the relay is there, and no alarm is active"] != 1 || titles["the relay is there, and 1 alarm is active"] != 6 {
			t.Errorf("%d heartbeats: %v", len(ids), titles)
		}
	})
}

func TestHeartbeatToAnAlertmanagerEndsWhenThreeAreMissed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := codes(200)
		r := alertmanager()
		r.HeartbeatEvery = time.Minute
		running(t, f, r, func(n *Notifier) { time.Sleep(90 * time.Second) })
		if len(f.requests()) != 2 {
			t.Fatalf("%d posts, want at 0 and 1 min", len(f.requests()))
		}
		for i, g := range f.requests() {
			a := f.alerts(t, i)
			if len(a) != 1 || a[0].Labels["alertname"] != AliveAlert || parse(t, a[0].EndsAt).Sub(g.at) != 3*time.Minute {
				t.Errorf("%+v", a)
			}
		}
	})
}
