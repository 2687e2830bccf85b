package notify

import (
	"context"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/http"
	"sync"
	"time"

	"candlemark/agent/alarm"
	"candlemark/agent/status"
)

const drainWithin = 5 * time.Second

// Store keeps over a restart what waits. The journal has it.
type Store interface {
	// Queued hands what an earlier run left in a queue to each, in order.
	Queued(queue string, each func(n uint64, item []byte)) error
	Enqueue(queue string, n uint64, v any) error
	Dequeue(queue string, n uint64)
	State(key string, into any) (ok bool, err error)
	PutState(key string, v any) error
	// FlushWithin returns when all of this is on the disk, or after most.
	FlushWithin(most time.Duration) error
}

// Config is what a Notifier is made of.
type Config struct {
	Relay, Site string
	Run         string // tells this run from every other
	Receivers   []Receiver
	Store       Store       // nil keeps what waits in memory only
	ClockSet    func() bool // whether the time of day is known; nil is always
	// RightTime says what time it was at a moment that keeps its monotonic reading, where
	// ClockSet; nil goes by the board's clock.
	RightTime func(time.Time) time.Time
	Client    *http.Client    // nil makes one; the redirect policy of one that is given is replaced
	Roots     *x509.CertPool  // whom mail servers are certified by; nil is the system's
	Problem   func(err error) // is told what could not be carried on; nil drops it
}

// Notifier delivers alarms to receivers. Its methods may be called from different
// goroutines.
type Notifier struct {
	workers []*worker
	own     *http.Transport // to be tidied up; nil when the caller brought a client
}

// New checks the receivers, reporting all their faults at once, takes over what an
// earlier run left to be delivered, and starts nothing. What cannot be taken over goes
// to cfg.Problem: it must not keep new alarms from being told.
func New(cfg Config) (*Notifier, error) {
	n := &Notifier{}
	client := cfg.Client
	if client == nil {
		// Not the default transport: another library in this program replaces it.
		n.own = &http.Transport{
			Proxy:               http.ProxyFromEnvironment,
			DialContext:         (&net.Dialer{Timeout: 5 * time.Second}).DialContext,
			TLSHandshakeTimeout: 5 * time.Second,
			MaxIdleConnsPerHost: 1,
			IdleConnTimeout:     90 * time.Second,
			ForceAttemptHTTP2:   true,
		}
		client = &http.Client{Transport: n.own}
	}
	policed := *client
	policed.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }

	var faults []error
	names := map[string]bool{}
	for _, r := range cfg.Receivers {
		r = r.withDefaults()
		if err := r.check(); err != nil {
			faults = append(faults, err)
			continue
		}
		if names[r.Name] {
			faults = append(faults, fmt.Errorf("receiver %q: the name is used twice; rename one", r.Name))
		}
		names[r.Name] = true
		w, err := newWorker(cfg, r, &policed)
		if err != nil && cfg.Problem != nil {
			cfg.Problem(fmt.Errorf("alarms not carried on from the journal: %w", err))
		}
		n.workers = append(n.workers, w)
	}
	if err := errors.Join(faults...); err != nil {
		return nil, err
	}
	return n, nil
}

// newWorker returns a worker with its error too.
func newWorker(cfg Config, r Receiver, client *http.Client) (*worker, error) {
	w := &worker{receiver: r, store: cfg.Store, wake: make(chan struct{}, 1)}
	from := identity{relay: cfg.Relay, site: cfg.Site, run: cfg.Run, right: cfg.RightTime}
	if from.right == nil {
		from.right = func(read time.Time) time.Time { return time.Now().Add(-time.Since(read)).Round(0) }
	}
	clockSet := cfg.ClockSet
	if clockSet == nil {
		clockSet = func() bool { return true }
	}
	format := Message.JSON
	switch r.Kind {
	case Alertmanager:
		w.carrier, w.box = poster{receiver: r, client: client, url: alertsURL(r.URL)}, newAlerts(from, r, clockSet)
		return w, nil
	case SMTP:
		w.carrier = mailer{receiver: r, dial: dialOut(), roots: cfg.Roots}
		format = func(m Message) []byte { return mailBody(m, r.From, r.To) }
	case Command:
		w.carrier = runner{receiver: r}
	default:
		w.carrier = poster{receiver: r, client: client, url: r.URL}
	}
	box, err := newEvents(from, r, cfg.Store, clockSet, format)
	w.box = box
	return w, err
}

// Publish hands over what changed and everything that is active now, which must
// be complete. It never blocks, and keeps nothing of its arguments.
func (n *Notifier) Publish(changes []alarm.Change, active []alarm.Active) {
	for _, w := range n.workers {
		w.publish(changes, active)
	}
}

// Run delivers until ctx ends, then tries once more what waits, within 5 s, and
// returns nil. What could not be delivered is for the next run; without a Store it is
// counted as dropped. It may be called once.
func (n *Notifier) Run(ctx context.Context) error {
	hard, cancel := context.WithCancel(context.WithoutCancel(ctx))
	defer cancel()
	unhook := context.AfterFunc(ctx, func() {
		select {
		case <-time.After(drainWithin):
			cancel()
		case <-hard.Done():
		}
	})
	defer unhook()

	var workers sync.WaitGroup
	for _, w := range n.workers {
		workers.Go(func() { w.run(ctx, hard) })
		if w.receiver.HeartbeatEvery > 0 {
			workers.Go(func() { w.beat(ctx) })
		}
	}
	<-ctx.Done()
	workers.Wait()
	if n.own != nil {
		n.own.CloseIdleConnections()
	}
	return nil
}

// Status is the delivery record of every receiver, in the configured order.
func (n *Notifier) Status() []status.Receiver {
	out := make([]status.Receiver, 0, len(n.workers))
	for _, w := range n.workers {
		out = append(out, w.status())
	}
	return out
}

// Test sends a message that is marked as a test to every receiver, at once, and returns
// what each answered. It passes by what waits, and works before Run too.
func (n *Notifier) Test(ctx context.Context) []status.Trial {
	out := make([]status.Trial, len(n.workers))
	var wait sync.WaitGroup
	for i, w := range n.workers {
		wait.Go(func() {
			w.mu.Lock()
			body := w.box.trial(time.Now())
			w.mu.Unlock()
			o := w.carrier.carry(ctx, body)
			w.mu.Lock()
			w.count(o)
			w.mu.Unlock()
			out[i] = status.Trial{Receiver: w.receiver.Name, Answer: o.said}
			if o.err != nil {
				out[i].Fault = o.err.Error()
			}
		})
	}
	wait.Wait()
	if n.own != nil {
		n.own.CloseIdleConnections()
	}
	return out
}
