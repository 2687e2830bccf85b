package signal

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"sync"
	"time"

	"candlemark/agent/alarm"
	"candlemark/agent/hook"
	"candlemark/agent/notify"
	"candlemark/agent/status"
)

const (
	mostJobs   = 64
	mostAtOnce = 16
	endWithin  = 5 * time.Second // for commands under way when the agent stops
)

// HookConfig is what a Hook is made of.
type HookConfig struct {
	Name        string
	Command     hook.Command
	Severities  []alarm.Severity // empty is all
	AtOnce      int              // commands at the same time; 0 is 2
	Relay, Site string
	// Ended is told how each command ended; it is called from other goroutines
	// and may be nil.
	Ended func(m notify.Message, r hook.Result, err error)
}

// Hook runs a command for every alarm raised and cleared. Its methods may be
// called from many goroutines.
type Hook struct {
	cfg  HookConfig
	wake chan struct{}

	mu       sync.Mutex
	queue    []notify.Message
	running  map[string]bool // by alarm id
	told     map[string]bool // active alarms that were queued
	attempts uint64
	failures uint64
	dropped  uint64
	err      string
}

// NewHook checks the command and starts nothing.
func NewHook(cfg HookConfig) (*Hook, error) {
	if err := cfg.Command.Check(); err != nil {
		return nil, fmt.Errorf("receiver %q: %w", cfg.Name, err)
	}
	if cfg.AtOnce == 0 {
		cfg.AtOnce = 2
	}
	if cfg.AtOnce < 0 || cfg.AtOnce > mostAtOnce {
		return nil, fmt.Errorf("receiver %q: %d commands at once are not between 1 and %d", cfg.Name, cfg.AtOnce, mostAtOnce)
	}
	return &Hook{cfg: cfg, wake: make(chan struct{}, 1), running: map[string]bool{}, told: map[string]bool{}}, nil
}

// Publish queues what changed, and what was active before the agent started as
// reminders. It never blocks.
func (h *Hook) Publish(changes []alarm.Change, active []alarm.Active) {
	h.mu.Lock()
	for _, c := range changes {
		if !h.wants(c.Alarm.Severity) {
			continue
		}
		m := h.message(c.Alarm)
		m.Because = c.Because
		h.told[c.Alarm.ID] = true
		if !c.Raised {
			m.State, m.ClearedAt = "cleared", c.At.Wall.UTC().Format(time.RFC3339)
			m.ClockKnown = m.ClockKnown && c.ClockSet
			delete(h.told, c.Alarm.ID)
		}
		h.put(m)
	}
	for _, a := range active {
		if h.wants(a.Severity) && !h.told[a.ID] {
			h.told[a.ID] = true
			m := h.message(a)
			m.Reminder = true
			h.put(m)
		}
	}
	h.mu.Unlock()
	h.rouse()
}

func (h *Hook) wants(s alarm.Severity) bool {
	return len(h.cfg.Severities) == 0 || slices.Contains(h.cfg.Severities, s)
}

func (h *Hook) message(a alarm.Active) notify.Message {
	return notify.Message{
		Version: 1, ID: a.ID, Name: a.Name, Severity: a.Severity, State: "raised",
		Relay: h.cfg.Relay, Site: h.cfg.Site, Subject: a.Subject, Title: a.Title, Action: a.Action,
		RaisedAt: a.Raised.Wall.UTC().Format(time.RFC3339), ClockKnown: a.ClockSet,
	}
}

func (h *Hook) put(m notify.Message) {
	if len(h.queue) == mostJobs {
		h.queue = h.queue[1:]
		h.dropped++
	}
	h.queue = append(h.queue, m)
}

func (h *Hook) rouse() {
	select {
	case h.wake <- struct{}{}:
	default:
	}
}

// Run runs commands until ctx ends, then gives those under way 5 s. What still
// waits is counted as dropped.
func (h *Hook) Run(ctx context.Context) error {
	hard, cancel := context.WithCancel(context.WithoutCancel(ctx))
	defer cancel()
	var wg sync.WaitGroup
	for ctx.Err() == nil {
		for {
			m, ok := h.take()
			if !ok {
				break
			}
			wg.Go(func() { h.run(hard, m) })
		}
		select {
		case <-ctx.Done():
		case <-h.wake:
		}
	}
	stop := time.AfterFunc(endWithin, cancel)
	defer stop.Stop()
	wg.Wait()
	h.mu.Lock()
	defer h.mu.Unlock()
	h.dropped += uint64(len(h.queue))
	h.queue = nil
	return nil
}

// take is the first message whose alarm has no command under way.
func (h *Hook) take() (notify.Message, bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if len(h.running) >= h.cfg.AtOnce {
		return notify.Message{}, false
	}
	for i, m := range h.queue {
		if !h.running[m.ID] {
			h.queue = slices.Delete(h.queue, i, i+1)
			h.running[m.ID] = true
			return m, true
		}
	}
	return notify.Message{}, false
}

func (h *Hook) run(ctx context.Context, m notify.Message) {
	res, err := h.call(ctx, m)
	if h.cfg.Ended != nil {
		h.cfg.Ended(m, res, err)
	}
	h.mu.Lock()
	delete(h.running, m.ID)
	h.mu.Unlock()
	h.rouse()
}

func (h *Hook) call(ctx context.Context, m notify.Message) (hook.Result, error) {
	input, err := json.Marshal(m)
	var res hook.Result
	if err == nil {
		res, err = h.cfg.Command.Run(ctx, append(input, '\n'), environment(m))
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	h.attempts++
	h.err = ""
	if err != nil {
		h.failures++
		h.err = err.Error()
	}
	return res, err
}

// environment repeats the main fields for commands that read no JSON. It holds
// nothing of the agent's own environment, and no secret.
func environment(m notify.Message) []string {
	reminder := "0"
	if m.Reminder {
		reminder = "1"
	}
	return []string{
		"CANDLEMARK_STATE=" + m.State, "CANDLEMARK_REMINDER=" + reminder,
		"CANDLEMARK_ID=" + m.ID, "CANDLEMARK_ALARM=" + string(m.Name), "CANDLEMARK_SEVERITY=" + string(m.Severity),
		"CANDLEMARK_SUBJECT=" + m.Subject, "CANDLEMARK_RELAY=" + m.Relay, "CANDLEMARK_SITE=" + m.Site,
		"CANDLEMARK_TITLE=" + m.Title, "CANDLEMARK_ACTION=" + m.Action,
	}
}

// Status is the hook's account; Failures counts exit statuses other than 0 too.
func (h *Hook) Status() status.Receiver {
	h.mu.Lock()
	defer h.mu.Unlock()
	return status.Receiver{Name: h.cfg.Name, Attempts: h.attempts, Failures: h.failures, Dropped: h.dropped,
		Waiting: len(h.queue) + len(h.running), LastError: h.err}
}

// Test runs the command with a message whose state is "test", and returns in
// words how it ended.
func (h *Hook) Test(ctx context.Context) (string, error) {
	m := notify.Message{Version: 1, ID: "test", Severity: alarm.Notice, State: "test", Relay: h.cfg.Relay, Site: h.cfg.Site,
		Title: "this is a test of the alarms", Action: "nothing is to be done"}
	res, err := h.call(ctx, m)
	if err != nil {
		return "", fmt.Errorf("receiver %q: %w", h.cfg.Name, err)
	}
	words := fmt.Sprintf("the command ended well after %s", res.Elapsed.Round(time.Millisecond))
	if res.Output != "" {
		words += " and said: " + res.Output
	}
	return words, nil
}
