package notify

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"candlemark/deploy/promtest"
)

// resolveTimeout is set in the Alertmanager under test: how long it holds an alarm
// that came without endsAt.
const resolveTimeout = 4 * time.Second

// resendEvery leaves a busy machine 2 s to be late by: endsAt is four times it ahead of
// a Date in whole seconds.
const resendEvery = time.Second

// startAlertmanager runs an Alertmanager that tells people at notified.
func startAlertmanager(t *testing.T, notified string) (base string) {
	t.Helper()
	return promtest.StartAlertmanagerWith(t, fmt.Sprintf(`
global: {resolve_timeout: %v}
route: {receiver: test, group_by: [alertname, subject], group_wait: 0s, group_interval: 1s, repeat_interval: 1h}
receivers: [{name: test, webhook_configs: [{url: %q, send_resolved: true}]}]
`, resolveTimeout, notified)).URL
}

func get(url string, into any) error {
	client := http.Client{Timeout: 2 * time.Second, Transport: &http.Transport{DisableKeepAlives: true}}
	response, err := client.Get(url)
	if err != nil {
		return err
	}
	defer response.Body.Close()
	if response.StatusCode != 200 {
		return fmt.Errorf("answered %s", response.Status)
	}
	if into == nil {
		return nil
	}
	return json.NewDecoder(response.Body).Decode(into)
}

// eventually polls a real process, which no fake clock drives.
func eventually(t *testing.T, within time.Duration, what string, is func() bool) {
	t.Helper()
	for deadline := time.Now().Add(within); time.Now().Before(deadline); time.Sleep(50 * time.Millisecond) {
		if is() {
			return
		}
	}
	t.Fatalf("not within %v: %s", within, what)
}

// listed are the labels of the alarms that an Alertmanager holds active, by subject.
func listed(t *testing.T, base string) map[string]map[string]string {
	t.Helper()
	var alerts []alert
	if err := get(base+"/api/v2/alerts?active=true", &alerts); err != nil {
		t.Fatal(err)
	}
	out := map[string]map[string]string{}
	for _, a := range alerts {
		if a.Labels["alertname"] != AliveAlert {
			out[a.Labels["subject"]] = a.Labels
		}
	}
	return out
}

func TestRealAlertmanager(t *testing.T) {
	// What the Alertmanager tells people: "firing A", "resolved A".
	var mu sync.Mutex
	told := map[string]int{}
	people := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		var message struct {
			Alerts []struct {
				Status string
				Labels map[string]string
			}
		}
		if err := json.NewDecoder(r.Body).Decode(&message); err != nil {
			t.Error(err)
		}
		mu.Lock()
		defer mu.Unlock()
		for _, a := range message.Alerts {
			what := a.Labels["subject"]
			if a.Labels["alertname"] == AliveAlert {
				what = AliveAlert
			}
			told[a.Status+" "+what]++
		}
	}))
	defer people.Close()
	times := func(what string) int {
		mu.Lock()
		defer mu.Unlock()
		return told[what]
	}
	base := startAlertmanager(t, people.URL)

	n, err := New(Config{Relay: "relay-1", Site: "site-1", Receivers: []Receiver{{Name: "am", Kind: Alertmanager, URL: base, ResendEvery: resendEvery, HeartbeatEvery: 2 * time.Second}}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error)
	go func() { ended <- n.Run(ctx) }()
	stopped := false
	defer func() {
		if !stopped {
			stop()
			<-ended
		}
	}()

	a, b, c := shut("1"), shut("2"), shut("3")
	b.Subject, c.Subject = "B", "C"
	b.ClockSet = false
	b.Raised.Wall = time.Unix(0, 0)
	n.Publish(append(append(raise(a), raise(b)...), raise(c)...), list(a, b, c))
	eventually(t, 10*time.Second, "all three are active", func() bool { return len(listed(t, base)) == 3 })
	want := map[string]string{"alertname": "shut_terminal_down", "severity": "critical", "relay": "relay-1", "site": "site-1", "subject": "A"}
	if diff := cmp.Diff(want, listed(t, base)["A"]); diff != "" {
		t.Errorf("labels:\n%s", diff)
	}

	// Longer than the resolve time-out and than a single post lasts.
	for until := time.Now().Add(max(resolveTimeout, endsAfter*resendEvery) + time.Second); time.Now().Before(until); time.Sleep(100 * time.Millisecond) {
		if l := listed(t, base); len(l) != 3 {
			t.Fatalf("while all three are raised only these are active: %v", l)
		}
	}

	n.Publish(append(cleared(a), cleared(b)...), list(c))
	eventually(t, 10*time.Second, "the cleared ones are no longer active", func() bool {
		l := listed(t, base)
		return l["A"] == nil && l["B"] == nil && l["C"] != nil
	})
	eventually(t, 10*time.Second, "people are told of both ends", func() bool {
		return times("resolved A") > 0 && times("resolved B") > 0
	})
	for _, subject := range []string{"A", "B", "C"} {
		if times("firing "+subject) == 0 {
			t.Errorf("people were never told of %s", subject)
		}
	}
	if times("resolved C") != 0 {
		t.Error("people were told that C ended while it was raised")
	}

	stop()
	stopped = true
	if err := <-ended; err != nil {
		t.Error(err)
	}
	if times("firing "+AliveAlert) == 0 || times("resolved "+AliveAlert) != 0 {
		t.Errorf("while the agent ran, people were told %v", told)
	}
	eventually(t, 20*time.Second, "the alarms of an agent that fell silent end", func() bool { return len(listed(t, base)) == 0 })
	eventually(t, 20*time.Second, "people are told of the silence", func() bool { return times("resolved "+AliveAlert) > 0 })
	if s := n.Status()[0]; s.Failures != 0 || s.Dropped != 0 {
		t.Errorf("%+v", s)
	}
}
