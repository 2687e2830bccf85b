package main

import (
	"context"
	"fmt"
	"io"
	"strings"
	"sync"
	"time"

	"periph.io/x/conn/v3/gpio"

	"candlemark/agent"
	"candlemark/agent/alarm"
	"candlemark/agent/config"
	"candlemark/agent/feed"
	"candlemark/agent/feed/contact"
	"candlemark/agent/gpioline"
	"candlemark/agent/hook"
	"candlemark/agent/signal"
	"candlemark/agent/status"
)

// everybody hands alarms to all who tell them.
type everybody []agent.Receivers

func (e everybody) Publish(changes []alarm.Change, active []alarm.Active) {
	for _, one := range e {
		one.Publish(changes, active)
	}
}

// local is what tells alarms, and switches the feed, without any network.
type local struct {
	tell  everybody
	tasks []agent.Task
	state []func() []status.Receiver
	test  func(context.Context) []status.Trial // of buzzer and lamp; nil without either
}

func (l *local) status() (out []status.Receiver) {
	for _, f := range l.state {
		out = append(out, f()...)
	}
	return out
}

// newLocal builds buzzer and lamp.
func newLocal(c *config.Config, clockSet func() bool, now func() time.Time) (*local, error) {
	l := &local{}
	if c.Signal.Buzzer != nil || c.Signal.Lamp != nil {
		hours := signal.Hours{From: time.Duration(c.Signal.QuietFrom), To: time.Duration(c.Signal.QuietTo)}
		p, err := signal.New(signal.Config{
			Buzzer: pin(c.Signal.Buzzer), Lamp: pin(c.Signal.Lamp), Severities: c.Signal.Severities,
			Quiet: func() bool { return clockSet() && hours.Include(now()) },
		})
		if err != nil {
			return nil, configError{fmt.Errorf("signal: %w", err)}
		}
		l.tell, l.state = append(l.tell, p), append(l.state, p.Status)
		l.test = p.Test
		l.tasks = append(l.tasks, agent.Task{Name: "buzzer and lamp", Run: p.Run})
	}
	return l, nil
}

func pin(o *config.Output) *signal.Pin {
	if o == nil {
		return nil
	}
	low := o.ActiveLevel == "low"
	return &signal.Pin{Out: &lateLine{chip: string(o.Chip), line: string(o.Line)}, ActiveLow: low}
}

// lateLine takes its line when it is first used, and tries again at each use: an
// absent chip is told, and is no reason not to start.
type lateLine struct {
	chip, line string

	mu    sync.Mutex
	taken *gpioline.Line
}

func (l *lateLine) Out(to gpio.Level) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.taken != nil {
		return l.taken.Out(to)
	}
	taken, err := gpioline.Open(l.chip, l.line, to)
	l.taken = taken
	return err
}

// feedSetup is the feed's configuration as the step wants it; nil without one.
func feedSetup(c *config.Config, start feed.Start) *agent.FeedSetup {
	f := c.Feed
	if f == nil {
		return nil
	}
	return &agent.FeedSetup{Pack: f.Pack, Start: start, Setup: feed.Setup{
		Switched: f.Switch != nil, Hook: len(f.ShutdownCommand) > 0, TerminalW: float64(f.TerminalDrawW),
		Reserve: f.Reserve, WarnFor: f.WarnFor, CloseFor: f.ShutdownTakes, StartUp: f.StartUp, LongestOff: f.LongestOff,
	}}
}

// wiring is the switch's configuration as its driver wants it.
func wiring(s *config.FeedSwitch) contact.Wiring {
	leaves := map[string]contact.Left{"on": contact.LeavesOn, "off": contact.LeavesOff, "as_it_was": contact.LeavesAsIs}
	return contact.Wiring{Contact: contact.Kind(s.Contact), ActiveLow: s.ActiveLevel == "low", Pull: contact.Pull(s.Pull), Wanted: leaves[s.DeadBoardLeaves]}
}

// checkFeed has the switch's driver judge its wiring.
func checkFeed(c *config.Config, report func(key, what, remedy string)) {
	if c.Feed == nil || c.Feed.Switch == nil {
		return
	}
	s := c.Feed.Switch
	if s.Contact == "" || s.Pull == "" || s.DeadBoardLeaves == "" {
		return // reported when it was read
	}
	if err := wiring(s).Check(); err != nil {
		what, remedy, _ := strings.Cut(strings.TrimPrefix(err.Error(), "feed: "), "; ")
		report("feed.switch", what, remedy)
	}
}

// newActuator builds what switches the feed and shuts the terminal down. sync has
// the journal on the disk: what will be done is saved before it is done.
func newActuator(f *config.Feed, tell contact.Tell, sync func(most time.Duration) error) (*contact.Actuator, io.Closer, error) {
	hooks := map[string]hook.Command{}
	if len(f.ShutdownCommand) > 0 {
		hooks[feed.HookShutdown] = hook.Command{Args: f.ShutdownCommand, Timeout: f.ShutdownTakes}
	}
	var driver contact.Driver
	var late *lateSwitch
	if s := f.Switch; s != nil {
		late = &lateSwitch{wiring: wiring(s), at: contact.Lines{Chip: string(s.Chip), Drive: string(s.Line), Open: string(s.OpenLine)}, sync: sync}
		driver = late
	}
	a, err := contact.NewActuator(driver, hooks, tell)
	if err != nil {
		return nil, nil, configError{err}
	}
	return a, late, nil
}

// syncMost is how long a slow disk may hold up the switching.
const syncMost = 10 * time.Second

// lateSwitch takes the switch's lines when the machine first says how the feed is
// to be, at that level at once, so that a restart makes no pulse. It tries again
// at each use. Only the actuator's goroutine uses it.
type lateSwitch struct {
	wiring contact.Wiring
	at     contact.Lines
	sync   func(most time.Duration) error

	taken *contact.Switch
	lines io.Closer
}

func (l *lateSwitch) Set(on bool) error {
	// A journal that can't be written, which its status tells, must not keep the
	// feed from being switched: after a reboot the pack decides then.
	_ = l.sync(syncMost)
	if l.taken == nil {
		taken, lines, err := contact.OpenSwitch(l.wiring, l.at, on)
		if err != nil {
			return err
		}
		l.taken, l.lines = taken, lines
	}
	return l.taken.Set(on)
}

// Close gives the lines back. The kernel leaves them as they are, where its driver can.
func (l *lateSwitch) Close() error {
	if l == nil || l.lines == nil {
		return nil
	}
	return l.lines.Close()
}
