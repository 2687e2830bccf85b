package signal

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"periph.io/x/conn/v3/gpio"

	"candlemark/agent/alarm"
	"candlemark/agent/status"
)

// Output is all that is needed of a line; gpio.PinOut has it.
type Output interface {
	Out(gpio.Level) error
}

// Pin is a buzzer or a lamp that sounds or lights by itself while its line is active.
type Pin struct {
	Out       Output
	ActiveLow bool
}

// Config is what a Player is made of. Buzzer or Lamp may be nil.
type Config struct {
	Buzzer, Lamp *Pin
	Severities   []alarm.Severity // which alarms; empty is all
	// Quiet says whether it is night for the people near the buzzer; nil is
	// never. It is the caller's to say no while the clock is not set.
	Quiet func() bool
}

// Player sounds and shows alarms. Its methods may be called from many goroutines.
type Player struct {
	cfg          Config
	buzzer, lamp *line

	mu     sync.Mutex
	active []*sounding // as published: most urgent first
	until  time.Time   // no call before
	test   *test       // asked for, not yet done
}

// sounding is one active alarm.
type sounding struct {
	alarm alarm.Active
	due   time.Time
	first time.Time // of its first call; zero before
}

// quiet says whether somebody acknowledged it, which holds for a time only.
func (s *sounding) quiet() bool { return s.alarm.Acknowledged != nil }

type test struct {
	heard, seen chan error // of the buzzer and the lamp
}

// line is one output with its account.
type line struct {
	name string
	pin  Pin
	wake chan struct{}

	mu       sync.Mutex
	attempts uint64
	failures uint64
	err      string
}

// New starts nothing and touches no line.
func New(cfg Config) (*Player, error) {
	p := &Player{cfg: cfg}
	for _, l := range []struct {
		name string
		pin  *Pin
		to   **line
	}{{"buzzer", cfg.Buzzer, &p.buzzer}, {"lamp", cfg.Lamp, &p.lamp}} {
		if l.pin == nil {
			continue
		}
		if l.pin.Out == nil {
			return nil, fmt.Errorf("%s: has no line", l.name)
		}
		*l.to = &line{name: l.name, pin: *l.pin, wake: make(chan struct{}, 1)}
	}
	if p.buzzer == nil && p.lamp == nil {
		return nil, errors.New("signal: neither a buzzer nor a lamp; give one, or leave the receiver out")
	}
	return p, nil
}

// Publish takes over what is active now, which must be complete. It never blocks.
func (p *Player) Publish(_ []alarm.Change, active []alarm.Active) {
	p.mu.Lock()
	known := map[string]*sounding{}
	for _, s := range p.active {
		known[s.alarm.ID] = s
	}
	p.active = nil
	for _, a := range active {
		if len(p.cfg.Severities) > 0 && !slices.Contains(p.cfg.Severities, a.Severity) {
			continue
		}
		s := known[a.ID]
		if s == nil {
			s = &sounding{due: time.Now()}
		}
		if s.quiet() && a.Acknowledged == nil { // the quiet has ended: it begins anew
			s.due, s.first = time.Now(), time.Time{}
		}
		s.alarm = a
		p.active = append(p.active, s)
	}
	p.mu.Unlock()
	p.rouse()
}

// Status is the account of what is fitted.
func (p *Player) Status() []status.Receiver {
	p.mu.Lock()
	waiting := 0
	for _, s := range p.active {
		if !s.quiet() {
			waiting++
		}
	}
	p.mu.Unlock()
	var out []status.Receiver
	for _, l := range []*line{p.buzzer, p.lamp} {
		if l == nil {
			continue
		}
		l.mu.Lock()
		out = append(out, status.Receiver{Name: l.name, Attempts: l.attempts, Failures: l.failures, Waiting: waiting, LastError: l.err})
		l.mu.Unlock()
	}
	return out
}

// Run plays until ctx ends, and leaves everything silent and dark.
func (p *Player) Run(ctx context.Context) error {
	var wg sync.WaitGroup
	if p.buzzer != nil {
		wg.Go(func() { p.runBuzzer(ctx) })
	}
	if p.lamp != nil {
		wg.Go(func() { p.runLamp(ctx) })
	}
	<-ctx.Done()
	wg.Wait()
	return nil
}

func (p *Player) rouse() {
	for _, l := range []*line{p.buzzer, p.lamp} {
		if l == nil {
			continue
		}
		select {
		case l.wake <- struct{}{}:
		default:
		}
	}
}

// set drives the line and keeps account.
func (l *line) set(active bool) error {
	err := l.pin.Out.Out(gpio.Level(active != l.pin.ActiveLow))
	l.mu.Lock()
	defer l.mu.Unlock()
	l.attempts++
	l.err = ""
	if err != nil {
		l.failures++
		l.err = err.Error()
		return fmt.Errorf("%s: %w", l.name, err)
	}
	return nil
}

// wait returns false when ctx ended, and earlier than d when roused.
func (l *line) wait(ctx context.Context, d time.Duration) bool {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-timer.C:
	case <-l.wake:
	}
	return true
}
