package signal

import (
	"context"
	"errors"
	"time"

	"candlemark/agent/alarm"
	"candlemark/agent/status"
)

func (p *Player) runLamp(ctx context.Context) {
	l := p.lamp
	_ = l.set(false) // counted; whatever an earlier run left lit
	for ctx.Err() == nil {
		if seen := p.takeTest(); seen != nil {
			err := l.set(true)
			l.hold(ctx, testLit, func() bool { return true })
			seen <- errors.Join(err, l.set(false))
			continue
		}
		is := p.light()
		if is == dark {
			l.wait(ctx, look)
			continue
		}
		// A change shows at once; that an acknowledged alarm goes on blinking is none.
		same := func() bool { return p.light() == is }
		_ = l.set(true) // counted, and tried again with the next beat
		on := l.hold(ctx, is.beat().on, same)
		_ = l.set(false)
		if on {
			l.hold(ctx, is.beat().off, same)
		}
	}
}

// takeTest is where the end of a self-test is told; nil when none is asked for.
func (p *Player) takeTest() chan error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.test == nil {
		return nil
	}
	seen := p.test.seen
	p.test.seen = nil
	return seen
}

// light is what the lamp has to show.
func (p *Player) light() light {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.test != nil && p.test.seen != nil {
		return lit
	}
	is := dark
	for _, s := range p.active {
		shows := blink
		if !s.quiet() {
			shows = lightOf(s.alarm.Severity)
		}
		is = max(is, shows)
	}
	return is
}

// lightOf is what the lamp shows for an alarm that nobody has acknowledged.
func lightOf(s alarm.Severity) light {
	switch s {
	case alarm.Critical:
		return fast
	case alarm.Warning:
		return slow
	}
	return blink
}

// testFor is how long a self-test may take: a call that is under way, its rest,
// and the test's own.
const testFor = 15 * time.Second

// Test sounds and lights the self-test, and says of buzzer and lamp what a person
// near it has heard and seen if all is well. A fault is a line that could not be
// set; that a wire is off it can't know.
func (p *Player) Test(ctx context.Context) []status.Trial {
	ctx, cancel := context.WithTimeoutCause(ctx, testFor, errors.New("the self-test did not end in time"))
	defer cancel()
	t := &test{}
	var out []status.Trial
	var ends []chan error
	if p.buzzer != nil {
		t.heard = make(chan error, 1)
		ends = append(ends, t.heard)
		out = append(out, status.Trial{Receiver: "buzzer", Answer: "should have sounded " + testCall().String()})
	}
	if p.lamp != nil {
		t.seen = make(chan error, 1)
		ends = append(ends, t.seen)
		out = append(out, status.Trial{Receiver: "lamp", Answer: "should have been lit for 3 s"})
	}
	p.mu.Lock()
	busy := p.test != nil
	if !busy {
		p.test = t
	}
	p.mu.Unlock()
	if busy {
		for i := range out {
			out[i].Answer, out[i].Fault = "", "another self-test is under way"
		}
		return out
	}
	defer func() {
		p.mu.Lock()
		p.test = nil
		p.mu.Unlock()
	}()
	p.rouse()
	for i, end := range ends {
		var err error
		select {
		case err = <-end:
		case <-ctx.Done():
			err = context.Cause(ctx)
		}
		if err != nil {
			out[i].Answer, out[i].Fault = "", err.Error()
		}
	}
	return out
}
