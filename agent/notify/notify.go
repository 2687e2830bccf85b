package notify

import (
	"context"
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

// Notifier delivers alarms to receivers. Publish, Status and Run may be called
// from different goroutines.
type Notifier struct {
	workers []*worker
	own     *http.Transport // to be tidied up; nil when the caller brought a client
}

// New checks the receivers, reporting all their faults at once, and starts nothing.
// With client nil it makes its own; of a client that is given, the redirect
// policy is replaced.
func New(relay, site string, receivers []Receiver, client *http.Client) (*Notifier, error) {
	n := &Notifier{}
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
	for _, r := range receivers {
		if err := r.check(); err != nil {
			faults = append(faults, err)
			continue
		}
		if names[r.Name] {
			faults = append(faults, fmt.Errorf("receiver %q: the name is used twice; rename one", r.Name))
		}
		names[r.Name] = true
		if r.Timeout == 0 {
			r.Timeout = defaultTimeout
		}
		if r.ResendEvery == 0 {
			r.ResendEvery = defaultResend
		}
		n.workers = append(n.workers, newWorker(relay, site, r, &policed))
	}
	if err := errors.Join(faults...); err != nil {
		return nil, err
	}
	return n, nil
}

// Publish hands over what changed and everything that is active now, which must
// be complete. It never blocks, and keeps nothing of its arguments.
func (n *Notifier) Publish(changes []alarm.Change, active []alarm.Active) {
	for _, w := range n.workers {
		w.publish(changes, active)
	}
}

// Run delivers until ctx ends, then tries once more what waits, within 5 s, and
// returns nil. What could not be delivered is counted as dropped. It may be
// called once.
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
