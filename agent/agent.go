package agent

import (
	"context"
	"errors"
	"fmt"
	"sync/atomic"
	"time"

	"github.com/rs/zerolog"

	"candlemark/agent/alarm"
	"candlemark/agent/schedule"
	"candlemark/agent/status"
	"candlemark/probes"
)

// Parts is what an agent is made of. cmd builds it from the configuration.
type Parts struct {
	Setup   Setup
	Memory  Memory
	Sources []Source
	Probers map[string]probes.Prober // by target name

	Keeper    Keeper
	Receivers Receivers
	Actuator  Actuator // compulsory with Setup.Feed
	// Measuring are tasks that measure beside the schedule, by Claim; stopped first.
	Measuring []Task
	// Background are the tasks behind Keeper and Receivers, stopped after the
	// last event was handled; Servers are stopped last, so that somebody who
	// looks at the end still sees it.
	Background, Servers []Task

	Data      *DataMeter                        // what forwarding uses; nil where nothing is forwarded
	LinkBytes func() (total uint64, known bool) // over the board's way out; nil where nobody counts

	Log      zerolog.Logger
	ClockSet func() bool // whether the time of day is known
	// Right is the time of day that a reading of the board's clock stands for, where
	// it is known better than by that clock; nil for the reading itself.
	Right    func(time.Time) time.Time
	PowerOff func(why string) // shuts the board down; must not block
	Alive    func()           // feeds the watchdog, once for each handled tick; nil without one
	Speed    float64          // 1, or more in a demonstration
	BootUp   time.Duration    // the board's uptime at the start; orders records within one boot
}

// Agent is a running candlemark.
type Agent struct {
	parts  Parts
	line   timeline
	events chan queued
	view   atomic.Pointer[status.Snapshot]
	state  State
	tell   *teller
	probe  *prober
	ended  chan struct{} // closed when no event is handled any more
}

// grace is how long everything together may take to stop. systemd kills after 90 s.
const grace = 15 * time.Second

// New makes an agent that does nothing until Run.
func New(p Parts) (*Agent, error) {
	a := &Agent{
		parts: p,
		line:  timeline{start: time.Now(), speed: p.Speed, right: p.Right},
		// Producers wait when this is full, which slows sampling and loses nothing.
		events: make(chan queued, 64),
		ended:  make(chan struct{}),
	}
	st, err := NewState(p.Setup, p.Memory, a.line.now(), p.ClockSet())
	if err != nil {
		return nil, err
	}
	a.state = st
	a.publish()
	kinds := map[string]TargetSetup{}
	for _, t := range p.Setup.Targets {
		kinds[t.Name] = t
	}
	a.probe = &prober{probers: p.Probers, kinds: kinds, line: a.line, emit: a.emit, asked: make(chan StartProbe, 1)}
	a.tell = &teller{log: p.Log, keep: p.Keeper, receive: p.Receivers, actuate: p.Actuator, probes: a.probe, powerOff: p.PowerOff, bootUp: p.BootUp}
	return a, nil
}

// Snapshot is the newest picture of the agent. Safe from any goroutine.
func (a *Agent) Snapshot() status.Snapshot { return *a.view.Load() }

// Run works until ctx ends, or until a part fails.
func (a *Agent) Run(ctx context.Context) error {
	producers := append([]Task{{"prober", a.probe.run}}, a.parts.Measuring...)
	for _, src := range a.parts.Sources {
		s := &sampler{src: src, line: a.line, emit: a.emit}
		producers = append(producers, Task{"sampler " + src.Pack, s.run})
	}
	return runStages(ctx, grace, producers, []Task{{"step loop", a.loop}}, a.parts.Background, a.parts.Servers)
}

// emit hands an event to the loop, or gives up when ctx ends.
func (a *Agent) emit(ctx context.Context, e Event) {
	select { // first, so that a stop loses nothing that there is room for
	case a.events <- queued{event: e}:
		return
	default:
	}
	select {
	case a.events <- queued{event: e}:
	case <-ctx.Done():
	}
}

// queued is an event on its way to the loop. Handled is closed once its effects
// were performed; nil where nobody waits for that.
type queued struct {
	event   Event
	handled chan struct{}
}

// loop owns the state.
func (a *Agent) loop(ctx context.Context) error {
	defer close(a.ended)
	tick := time.NewTicker(a.line.scaled(time.Second))
	defer tick.Stop()
	for {
		select {
		case q := <-a.events:
			a.take(q)
		case <-tick.C:
			a.tick()
		case <-ctx.Done():
			return a.finish()
		}
	}
}

func (a *Agent) tick() {
	tick := Tick{At: a.line.now(), ClockSet: a.parts.ClockSet()}
	if tick.ClockSet { // a wrong clock's day must not end or renew the data budget
		day := tick.At.Wall.Local()
		tick.Day = day.Format(time.DateOnly)
		y, m, d := day.Date()
		tick.DayLeft = time.Date(y, m, d+1, 0, 0, 0, 0, day.Location()).Sub(day)
		tick.MonthLeft = time.Date(y, m+1, 1, 0, 0, 0, 0, day.Location()).Sub(day)
	}
	if a.parts.Data != nil {
		tick.Moved = a.parts.Data.take()
	}
	if a.parts.LinkBytes != nil {
		tick.LinkBytes, tick.LinkBytesKnown = a.parts.LinkBytes()
	}
	a.handle(tick)
	if a.parts.Alive != nil {
		a.parts.Alive()
	}
}

func (a *Agent) take(q queued) {
	a.handle(q.event)
	if q.handled != nil {
		close(q.handled)
	}
}

func (a *Agent) handle(e Event) {
	var effects []Effect
	a.state, effects = Step(a.state, e)
	a.tell.perform(effects)
	a.publish()
}

// finish handles what the producers left and saves the estimates a last time.
func (a *Agent) finish() error {
	for {
		select {
		case q := <-a.events:
			a.take(q)
			continue
		default:
		}
		a.tell.perform(a.state.save())
		return nil
	}
}

func (a *Agent) publish() {
	s := a.state.Snapshot()
	a.view.Store(&s)
	if a.parts.Data != nil {
		a.parts.Data.settle(a.state.schedule.Left(schedule.Sending))
	}
}

// Note puts an operator's words into the activity record. Safe from any goroutine.
func (a *Agent) Note(ctx context.Context, text, who string) error {
	return a.ask(ctx, Noted{At: a.line.now(), Text: text, Who: who})
}

// errEnded answers whoever asks an agent that is stopping.
var errEnded = errors.New("the agent is stopping; say it again once it runs")

// ask is emit for those who must know that it was done: it returns when the event
// was handled and what follows from it handed to the journal.
func (a *Agent) ask(ctx context.Context, e Event) error {
	select {
	case <-a.ended: // the queue may have room, but nobody reads it any more
		return errEnded
	default:
	}
	q := queued{e, make(chan struct{})}
	select {
	case a.events <- q:
	case <-a.ended:
		return errEnded
	case <-ctx.Done():
		return fmt.Errorf("the agent did not take it in time: %w", ctx.Err())
	}
	select {
	case <-q.handled:
		return nil
	case <-a.ended:
		select {
		case <-q.handled: // among the last that were handled
			return nil
		default:
		}
		return errEnded
	case <-ctx.Done():
		return fmt.Errorf("the agent did not answer in time, and may still do it: %w", ctx.Err())
	}
}

// Now is the present on the agent's own time line.
func (a *Agent) Now() alarm.Instant { return a.line.now() }
