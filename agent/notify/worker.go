package notify

import (
	"context"
	"sync"
	"time"

	"candlemark/agent/alarm"
	"candlemark/agent/retry"
	"candlemark/agent/status"
)

const (
	firstRetry = time.Second
	lastRetry  = 30 * time.Second
	// keepFor is how long a message that the receiver gets and will not take holds up
	// those behind it; endFor is how long an Alertmanager is owed an ending.
	endFor           = time.Hour
	keepFor          = 6 * time.Hour
	mostItems        = 256
	noWait           = time.Duration(1<<63 - 1)
	remindAfterStart = time.Minute
	missedBeats      = 3 // of a heartbeat, before its alert ends
	// syncMost is how long a slow disk may hold up an alarm.
	syncMost = 10 * time.Second
)

// job is one delivery that an outbox wants to be made.
type job struct {
	body    []byte
	message Message // the zero one for an Alertmanager
	firm    bool    // need not be written to the disk first
	firmed  func()
	lasting bool                     // the store has it, and must forget it
	settle  func(outcome, time.Time) // the outbox's own account of how it went
}

// outbox is what waits for one receiver. The worker holds its lock around every call.
type outbox interface {
	publish(changes []alarm.Change, active []alarm.Active, now time.Time)
	// take returns what to deliver now, or how long there is nothing.
	take(now time.Time) (*job, time.Duration)
	waiting() int
	// dropped counts what was given up.
	dropped() uint64
	// abandon is the end of the run.
	abandon()
	// beat says that the relay is there, and trial that somebody tries the receiver.
	beat(now time.Time) []byte
	trial(now time.Time) []byte
}

// outcome is how one delivery ended.
type outcome struct {
	err        error // nil when delivered
	final      bool  // trying the same again would not help
	delivered  bool  // in spite of err, to some of those it is for
	begun      bool  // some of it may have reached the receiver
	retryAfter time.Duration
	said       string // what the receiver answered, in words; "" after an error
	// date is what the receiver's clock said; valid where dateKnown.
	date      time.Time
	dateKnown bool
}

func (o outcome) again() bool { return o.err != nil && !o.final }

// carrier takes one body to its receiver, once and within a bounded time.
type carrier interface {
	carry(ctx context.Context, body []byte) outcome
}

// worker delivers to one receiver.
type worker struct {
	receiver Receiver
	carrier  carrier
	store    Store
	wake     chan struct{} // holds one token

	mu        sync.Mutex
	box       outbox
	attempts  uint64
	failures  uint64
	lastError string
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
				break
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

// deliver tries once. What is sent is on the disk before, so that it is never sent
// again with other words; and its delivery is after, so that it is not sent again at all.
func (w *worker) deliver(ctx context.Context, j *job) outcome {
	if !j.firm {
		w.sync()
		w.mu.Lock()
		j.firmed()
		w.mu.Unlock()
	}
	o := w.carrier.carry(ctx, j.body)
	w.mu.Lock()
	w.count(o)
	j.settle(o, time.Now())
	w.mu.Unlock()
	if j.lasting && !o.again() {
		w.sync()
	}
	return o
}

// count keeps the account of one delivery. The caller holds mu.
func (w *worker) count(o outcome) {
	w.attempts++
	w.lastError = ""
	if o.err != nil {
		w.failures++
		w.lastError = o.err.Error()
	}
}

// sync has the store on the disk. A store that cannot be written, which its own
// status tells, must not keep an alarm from being told.
func (w *worker) sync() { _ = w.store.FlushWithin(syncMost) }

// beat says every HeartbeatEvery that the relay is there. It neither waits nor is
// tried again: the next one says the same.
func (w *worker) beat(ctx context.Context) {
	for ctx.Err() == nil {
		w.mu.Lock()
		body := w.box.beat(time.Now())
		w.mu.Unlock()
		o := w.carrier.carry(ctx, body)
		if ctx.Err() != nil {
			return
		}
		w.mu.Lock()
		w.count(o)
		w.mu.Unlock()
		w.pause(ctx, w.receiver.HeartbeatEvery, nil)
	}
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
