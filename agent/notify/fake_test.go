package notify

import (
	"context"
	"encoding/json"
	"io"
	"net/http"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"

	"candlemark/agent/alarm"
	"candlemark/agent/status"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// got is one request that a fake receiver saw.
type got struct {
	at   time.Time
	url  string
	body []byte
}

// fake is a receiver behind http.RoundTripper, so that it also works on the fake
// clock of synctest. answer says how request number i (from 0) is answered.
type fake struct {
	answer func(i int, r *http.Request) (*http.Response, error)
	mu     sync.Mutex
	seen   []got
}

func (f *fake) RoundTrip(r *http.Request) (*http.Response, error) {
	body, err := io.ReadAll(r.Body)
	if err != nil {
		return nil, err
	}
	f.mu.Lock()
	i := len(f.seen)
	f.seen = append(f.seen, got{time.Now(), r.URL.String(), body})
	f.mu.Unlock()
	return f.answer(i, r)
}

func (f *fake) requests() []got {
	f.mu.Lock()
	defer f.mu.Unlock()
	return append([]got(nil), f.seen...)
}

func (f *fake) messages(t *testing.T) []Message {
	t.Helper()
	var out []Message
	for _, r := range f.requests() {
		var m Message
		if err := json.Unmarshal(r.body, &m); err != nil {
			t.Fatal(err)
		}
		out = append(out, m)
	}
	return out
}

func (f *fake) alerts(t *testing.T, i int) []alert {
	t.Helper()
	requests := f.requests()
	if i >= len(requests) {
		t.Fatalf("%d posts, want number %d", len(requests), i)
	}
	var out []alert
	if err := json.Unmarshal(requests[i].body, &out); err != nil {
		t.Fatal(err)
	}
	return out
}

func respond(code int, header ...string) (*http.Response, error) {
	r := &http.Response{StatusCode: code, Header: http.Header{}, Body: io.NopCloser(strings.NewReader("no such\x1b field"))}
	for i := 0; i+1 < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	return r, nil
}

// codes answers with each code in turn, and with the last from then on.
func codes(list ...int) *fake {
	return &fake{answer: func(i int, _ *http.Request) (*http.Response, error) {
		return respond(list[min(i, len(list)-1)])
	}}
}

// hung never answers.
func hung() *fake {
	return &fake{answer: func(_ int, r *http.Request) (*http.Response, error) {
		<-r.Context().Done()
		return nil, r.Context().Err()
	}}
}

// running starts a notifier on the fake clock, hands it to do, and stops it.
func running(t *testing.T, f *fake, r Receiver, do func(n *Notifier)) status.Receiver {
	t.Helper()
	n, err := New(Config{Relay: "relay-1", Site: "site-1", Run: "run1", Receivers: []Receiver{r}, Client: &http.Client{Transport: f}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error)
	go func() { ended <- n.Run(ctx) }()
	do(n)
	synctest.Wait()
	cancel()
	stopped := time.Now()
	if err := <-ended; err != nil {
		t.Errorf("Run: %v", err)
	}
	if took := time.Since(stopped); took > drainWithin {
		t.Errorf("stopping took %v", took)
	}
	return n.Status()[0]
}

// runFor runs n for d, stops it, and waits for its end.
func runFor(t *testing.T, n *Notifier, d time.Duration) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), d)
	defer cancel()
	if err := n.Run(ctx); err != nil {
		t.Errorf("Run: %v", err)
	}
}

func webhook() Receiver {
	return Receiver{Name: "hook", Kind: Webhook, URL: "http://hook.test/secret-path"}
}

func alertmanager() Receiver {
	return Receiver{Name: "am", Kind: Alertmanager, URL: "http://am.test/base/", GeneratorURL: "http://relay.test/"}
}

// raised is an alarm that is raised now.
func raised(id string, name alarm.Name, severity alarm.Severity, subject string) alarm.Active {
	return alarm.Active{
		ID: id, Name: name, Severity: severity, Subject: subject, Title: "title of " + id, Action: "do it",
		Raised: alarm.Instant{Wall: time.Now()}, ClockSet: true,
	}
}

func shut(id string) alarm.Active {
	return raised(id, alarm.ShutTerminalDown, alarm.Critical, "A")
}

func raise(a alarm.Active) []alarm.Change {
	return []alarm.Change{{Alarm: a, Raised: true, At: a.Raised, ClockSet: a.ClockSet, Because: "low"}}
}

func cleared(a alarm.Active) []alarm.Change {
	return []alarm.Change{{Alarm: a, At: alarm.Instant{Wall: time.Now()}, ClockSet: a.ClockSet, Because: "swapped"}}
}

func list(a ...alarm.Active) []alarm.Active { return a }
