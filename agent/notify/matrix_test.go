package notify

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/mail"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"candlemark/agent/alarm"
	"candlemark/agent/hook"
)

// far is the way to a receiver and the receiver itself, of any kind.
type far struct {
	mu    sync.Mutex
	state string // "up", "down" or "hung"
	got   []arrival
	// arrived is called at each arrival, before the sender hears of it.
	arrived func()
}

// arrival is one message, or of an Alertmanager one alert, as it came.
type arrival struct {
	at       time.Time
	id, body string
	name     string
	happened string // the time it tells
	cleared  bool
}

func (f *far) set(state string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.state = state
}

func (f *far) is() string {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.state
}

// pass is the way there.
func (f *far) pass(ctx context.Context) error {
	switch f.is() {
	case "down":
		return errors.New("network is unreachable")
	case "hung":
		<-ctx.Done()
		return ctx.Err()
	}
	return nil
}

func (f *far) take(a arrival) {
	a.at = time.Now()
	f.mu.Lock()
	f.got = append(f.got, a)
	arrived := f.arrived
	f.mu.Unlock()
	if arrived != nil {
		arrived()
	}
}

func (f *far) all() []arrival {
	f.mu.Lock()
	defer f.mu.Unlock()
	return append([]arrival(nil), f.got...)
}

func (f *far) takeMessage(body []byte) {
	var m Message
	if err := json.Unmarshal(body, &m); err != nil {
		panic(err)
	}
	f.take(arrival{id: m.MessageID, body: string(body), name: string(m.Name), happened: m.RaisedAt, cleared: m.State == Cleared})
}

// RoundTrip is a webhook's or an Alertmanager's end.
func (f *far) RoundTrip(r *http.Request) (*http.Response, error) {
	body, err := io.ReadAll(r.Body)
	if err != nil {
		return nil, err
	}
	if err := f.pass(r.Context()); err != nil {
		return nil, err
	}
	if !strings.Contains(r.URL.Path, "/api/v2/alerts") {
		f.takeMessage(body)
		return respond(200)
	}
	var alerts []alert
	if err := json.Unmarshal(body, &alerts); err != nil {
		return nil, err
	}
	for _, a := range alerts {
		// Without an id of its own, it is known by its alarm and what it says of it.
		ends, err := time.Parse(time.RFC3339, a.EndsAt)
		cleared := err == nil && !ends.After(time.Now())
		f.take(arrival{name: a.Labels["alertname"], happened: strings.Replace(a.StartsAt, ".000Z", "Z", 1), cleared: cleared})
	}
	return respond(200)
}

// carry is a command's end, which on the fake clock cannot be a real process.
func (f *far) carry(ctx context.Context, body []byte) outcome {
	ctx, cancel := context.WithTimeout(ctx, defaultTimeout)
	defer cancel()
	if err := f.pass(ctx); err != nil {
		return outcome{err: err, begun: f.is() == "hung"}
	}
	f.takeMessage(body)
	return outcome{begun: true}
}

// dial is the way to a mail server.
func (f *far) dial(security *tls.Config) dialer {
	return func(ctx context.Context, _, _ string) (net.Conn, error) {
		s := &mailServer{startTLS: true, tls: security, taken: f.takeMail}
		if f.is() == "hung" {
			s.answer = map[string]string{"greeting": "hang"}
			return s.dial(ctx, "", "")
		}
		if err := f.pass(ctx); err != nil {
			return nil, err
		}
		return s.dial(ctx, "", "")
	}
}

func (f *far) takeMail(body string) {
	m, err := mail.ReadMessage(strings.NewReader(body))
	if err != nil {
		panic(err)
	}
	at, err := m.Header.Date()
	if err != nil {
		panic(err)
	}
	words := strings.Fields(strings.ReplaceAll(body, "=\r\n", ""))
	f.take(arrival{id: m.Header.Get("Message-Id"), body: body, name: words[len(words)-2], happened: stamp(at), cleared: strings.Contains(m.Header.Get("Subject"), "CLEARED")})
}

// matrixReceivers are one receiver of each kind, and how its end is put in place.
func matrixReceivers(security *tls.Config, roots *x509.CertPool) map[Kind]func(*worker, *far) {
	return map[Kind]func(*worker, *far){
		Webhook:      func(*worker, *far) {},
		Alertmanager: func(*worker, *far) {},
		SMTP: func(w *worker, f *far) {
			w.carrier = mailer{receiver: w.receiver, dial: f.dial(security), roots: roots}
		},
		Command: func(w *worker, f *far) { w.carrier = f },
	}
}

func matrixReceiver(k Kind) Receiver {
	switch k {
	case Alertmanager:
		return alertmanager()
	case SMTP:
		return mailReceiver()
	case Command:
		return Receiver{Name: "siren", Kind: Command, Command: hook.Command{Args: []string{"/bin/sh"}}}
	}
	return webhook()
}

// slowest is the longest pause between two tries, with its quarter more, and a
// delivery that hangs until its time is up.
const slowest = lastRetry + lastRetry/4 + defaultTimeout

// Every alarm × every receiver × what can come between: delivered, within its time,
// telling its own time, and never two messages with different content under one id.
// Buzzer and lamp have the same table in package signal.
func TestEveryAlarmArrives(t *testing.T) {
	security, roots := certified(t)
	seen := map[alarm.Severity]bool{}
	for _, e := range alarm.Catalogue() {
		if testing.Short() && seen[e.Severity] {
			continue // under the race detector each case takes ten times as long
		}
		seen[e.Severity] = true
		for kind, attach := range matrixReceivers(security, roots) {
			for _, way := range []struct {
				name string
				// until is when the receiver is well, after the raising; within is how long
				// the delivery may take from then.
				state  string
				until  time.Duration
				within time.Duration
				crash  string // when the agent is killed and started again: "", "before the flush", "undelivered" or "delivered"
			}{
				{"up", "up", 0, time.Second, ""},
				{"down, then up", "down", 72 * time.Hour, slowest, ""},
				{"hung, then well", "hung", 30 * time.Minute, slowest, ""},
				{"killed before anything was written", "down", time.Minute, slowest, "before the flush"},
				{"killed between raising and delivery", "down", time.Minute, slowest, "undelivered"},
				{"killed between delivery and its record", "up", 0, time.Second, "delivered"},
			} {
				t.Run(fmt.Sprint(e.Name, " ", kind, " ", way.name), func(t *testing.T) {
					synctest.Test(t, func(t *testing.T) {
						f := &far{state: way.state}
						start := time.Now()
						well := start.Add(way.until)
						time.AfterFunc(way.until, func() { f.set("up") })
						d := newDisk()
						begin := func(d Store, run string) (n *Notifier, kill func()) {
							n, err := New(Config{Relay: "relay-1", Site: "site-1", Run: run, Receivers: []Receiver{matrixReceiver(kind)}, Store: d,
								Client: &http.Client{Transport: f}, Roots: roots, Problem: func(err error) { t.Error(err) }})
							if err != nil {
								t.Fatal(err)
							}
							attach(n.workers[0], f)
							ctx, cancel := context.WithCancel(t.Context())
							ended := make(chan error)
							go func() { ended <- n.Run(ctx) }()
							return n, func() {
								cancel()
								if err := <-ended; err != nil {
									t.Error(err)
								}
							}
						}
						a := alarm.Active{ID: "b1-" + string(e.Name) + "-x-1", Name: e.Name, Severity: e.Severity, Subject: "x",
							Title: "title of " + string(e.Name), Action: e.Action, Raised: alarm.Instant{Wall: start}, ClockSet: true}
						var found *disk // by the second run
						switch way.crash {
						case "before the flush":
							found = d.crash()
							a.ID = "b1-" + string(e.Name) + "-x-0" // it is forgotten, and raised again as another
						case "delivered":
							f.arrived = func() { found, f.arrived = d.crash(), nil }
						}
						n, kill := begin(d, "run1")
						n.Publish(raise(a), list(a))
						if way.crash != "" {
							time.Sleep(500 * time.Millisecond)
							if way.crash == "undelivered" {
								found = d.crash()
							}
							kill()
							n, kill = begin(found, "run2")
							if way.crash == "before the flush" {
								a.ID = "b1-" + string(e.Name) + "-x-1"
								n.Publish(raise(a), list(a))
							} else {
								n.Publish(nil, list(a))
							}
						}
						time.Sleep(time.Until(well) + way.within)
						synctest.Wait()
						told := false
						for _, g := range f.all() {
							if g.name != string(e.Name) {
								t.Errorf("%+v is about another alarm", g)
							}
							told = told || !g.cleared && g.at.Sub(well) <= way.within
							if g.happened != stamp(start) {
								t.Errorf("tells %s, it happened at %s", g.happened, stamp(start))
							}
						}
						if !told {
							t.Errorf("not told within %v: %+v", way.within, f.all())
						}
						n.Publish(cleared(a), nil)
						time.Sleep(slowest)
						kill()
						checkArrivals(t, f.all(), kind, way.crash)
						if s := n.Status()[0]; s.Waiting != 0 || s.Dropped != 0 {
							t.Errorf("at the end %+v", s)
						}
					})
				})
			}
		}
	}
}

// checkArrivals looks at ids and order.
func checkArrivals(t *testing.T, got []arrival, kind Kind, crash string) {
	t.Helper()
	if len(got) == 0 || !got[len(got)-1].cleared {
		t.Fatalf("the last told is not the clearing: %+v", got)
	}
	if kind == Alertmanager {
		return // a level has neither
	}
	bodies, cleared := map[string]string{}, false
	for _, g := range got {
		if first, again := bodies[g.id]; g.id == "" || again && first != g.body {
			t.Errorf("two contents under the id %q:\n%s\n%s", g.id, first, g.body)
		} else if again && crash != "delivered" {
			t.Errorf("%s came twice though no crash fell between sending and recording", g.id)
		}
		bodies[g.id] = g.body
		if cleared && !g.cleared {
			t.Errorf("raised after it was cleared: %+v", got)
		}
		cleared = cleared || g.cleared
	}
	if crash == "delivered" && len(got) != 3 {
		t.Errorf("%d came, want the raising twice and the clearing", len(got))
	}
}
