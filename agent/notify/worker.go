package notify

import (
	"context"
	"net/http"
	"sync"
	"time"

	"candlemark/agent/alarm"
	"candlemark/agent/retry"
	"candlemark/agent/status"
)

const (
	firstRetry = time.Second
	lastRetry  = 30 * time.Second
	keepFor    = time.Hour // how long one item is tried again
	mostItems  = 256
	noWait     = time.Duration(1<<63 - 1)
)

// job is one POST that an outbox wants to be made.
type job struct {
	body   []byte
	settle func(outcome, time.Time) // the outbox's own account of how it went
}

// outbox is what waits for one receiver. The worker holds its lock around every call.
type outbox interface {
	publish(changes []alarm.Change, active []alarm.Active, now time.Time)
	// take returns what to post now, or how long there is nothing to post.
	take(now time.Time) (*job, time.Duration)
	waiting() int
	// dropped counts what was given up.
	dropped() uint64
	// abandon counts what still waits as dropped.
	abandon()
}

// worker delivers to one receiver.
type worker struct {
	receiver Receiver
	post     poster
	wake     chan struct{} // holds one token

	mu        sync.Mutex
	box       outbox
	attempts  uint64
	failures  uint64
	lastError string
}

func newWorker(relay, site string, r Receiver, client *http.Client) *worker {
	w := &worker{receiver: r, wake: make(chan struct{}, 1)}
	w.post = poster{receiver: r, client: client, url: r.URL}
	switch r.Kind {
	case Alertmanager:
		w.post.url = alertsURL(r.URL)
		w.box = newAlerts(relay, site, r)
	default:
		w.box = newEvents(relay, site, r)
	}
	return w
}

func (w *worker) publish(changes []alarm.Change, active []alarm.Active) {
	w.mu.Lock()
	w.box.publish(changes, active, time.Now())
	w.mu.Unlock()
	select {
	case w.wake <- struct{}{}:
	default:
	}
}

func (w *worker) status() status.Receiver {
	w.mu.Lock()
	defer w.mu.Unlock()
	return status.Receiver{
		Name: w.receiver.Name, Attempts: w.attempts, Failures: w.failures,
		Dropped: w.box.dropped(), Waiting: w.box.waiting(), LastError: w.lastError,
	}
}

// run delivers until ctx ends, then drains until a failure or the end of hard.
func (w *worker) run(ctx, hard context.Context) {
	pause := firstRetry
	for hard.Err() == nil {
		w.mu.Lock()
		j, wait := w.box.take(time.Now())
		w.mu.Unlock()
		if j == nil {
			if ctx.Err() != nil {
				return
			}
			w.pause(ctx, wait, w.wake)
			continue
		}
		o := w.deliver(hard, j)
		if !o.again() {
			pause = firstRetry
			continue
		}
		if ctx.Err() != nil {
			break
		}
		// A new alarm does not cut the pause short: the receiver is the one who
		// is unwell, and the pause is half a minute at most unless it asked for more.
		w.pause(ctx, max(retry.Jittered(pause), o.retryAfter), nil)
		pause = min(2*pause, lastRetry)
	}
	w.mu.Lock()
	w.box.abandon()
	w.mu.Unlock()
}

func (w *worker) deliver(ctx context.Context, j *job) outcome {
	o := w.post.send(ctx, j.body)
	w.mu.Lock()
	defer w.mu.Unlock()
	w.attempts++
	w.lastError = ""
	if o.err != nil {
		w.failures++
		w.lastError = o.err.Error()
	}
	j.settle(o, time.Now())
	return o
}

func (w *worker) pause(ctx context.Context, d time.Duration, wake <-chan struct{}) {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
	case <-timer.C:
	case <-wake:
	}
}
