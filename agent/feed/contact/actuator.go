package contact

import (
	"context"
	"fmt"
	"sync"
	"time"

	"candlemark/agent/feed"
	"candlemark/agent/hook"
	"candlemark/agent/status"
)

// retryAfter is how long a switch that did not obey is left alone.
const retryAfter = 5 * time.Second

// Actuator performs what a feed.Machine wants without holding up who asks.
type Actuator struct {
	driver Driver // nil without a switch
	hooks  map[string]hook.Command
	tell   Tell

	wake  chan struct{}
	tasks chan task

	mu       sync.Mutex
	want     bool
	wanted   bool // want is valid
	changed  bool // since it was last tried
	attempts uint64
	failures uint64
	dropped  uint64
	err      string
	busy     int
}

type task struct {
	name string
	env  []string
}

// Tell is told from the Actuator's own goroutines. A fault of "" is a good end.
type Tell struct {
	HookEnded func(name, fault string)
	Switched  func(fault string) // only when it differs from the last
}

// NewActuator checks the hooks and starts nothing.
func NewActuator(driver Driver, hooks map[string]hook.Command, tell Tell) (*Actuator, error) {
	for name, h := range hooks {
		if err := h.Check(); err != nil {
			return nil, fmt.Errorf("feed hook %s: %w", name, err)
		}
	}
	return &Actuator{driver: driver, hooks: hooks, tell: tell, wake: make(chan struct{}, 1), tasks: make(chan task, 8)}, nil
}

// Want says how the feed is to be. It never blocks; only the newest word counts.
func (a *Actuator) Want(on bool) {
	a.mu.Lock()
	a.want, a.wanted, a.changed = on, true, true
	a.mu.Unlock()
	select {
	case a.wake <- struct{}{}:
	default:
	}
}

// Hook starts a hook. It never blocks; with eight waiting it is dropped and counted.
func (a *Actuator) Hook(name string, c feed.Cause) {
	select {
	case a.tasks <- task{name, []string{"CANDLEMARK_HOOK=" + name, "CANDLEMARK_WHO=" + c.Who, "CANDLEMARK_WHY=" + c.Why}}:
	default:
		a.mu.Lock()
		a.dropped++
		a.mu.Unlock()
	}
}

// Status is the record of switching and hooks.
func (a *Actuator) Status() status.Receiver {
	a.mu.Lock()
	defer a.mu.Unlock()
	return status.Receiver{Name: "feed", Attempts: a.attempts, Failures: a.failures, Dropped: a.dropped, Waiting: a.busy + len(a.tasks), LastError: a.err}
}

// Run switches and runs hooks until ctx ends. It leaves the feed as it is then:
// an agent that is updated is no reason to cut the link.
func (a *Actuator) Run(ctx context.Context) error {
	var wg sync.WaitGroup
	wg.Go(func() { a.runHooks(ctx) })
	defer wg.Wait()
	retry := time.NewTicker(retryAfter)
	defer retry.Stop()
	for {
		again := false
		select {
		case <-ctx.Done():
			a.apply(false) // what was wanted last, if it was not done yet
			return nil
		case <-a.wake:
		case <-retry.C:
			again = true
		}
		a.apply(again)
	}
}

// apply switches if something new is wanted, or, again, if the last try failed.
func (a *Actuator) apply(again bool) {
	a.mu.Lock()
	on, due := a.want, a.wanted && (a.changed || again && a.err != "")
	a.changed = false
	a.mu.Unlock()
	if !due || a.driver == nil {
		return
	}
	fault := ""
	if err := a.driver.Set(on); err != nil {
		fault = err.Error()
	}
	a.mu.Lock()
	a.attempts++
	if fault != "" {
		a.failures++
	}
	news := fault != a.err
	a.err = fault
	a.mu.Unlock()
	if news {
		a.tell.Switched(fault)
	}
}

func (a *Actuator) runHooks(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case t := <-a.tasks:
			a.runHook(ctx, t)
		}
	}
}

func (a *Actuator) runHook(ctx context.Context, t task) {
	h, ok := a.hooks[t.name]
	if !ok {
		a.tell.HookEnded(t.name, "no such hook is configured")
		return
	}
	a.add(1)
	_, err := h.Run(ctx, nil, t.env)
	a.add(-1)
	fault := ""
	if err != nil {
		fault = err.Error()
	}
	a.tell.HookEnded(t.name, fault)
}

func (a *Actuator) add(n int) {
	a.mu.Lock()
	a.busy += n
	a.mu.Unlock()
}
