package signal

import (
	"context"
	"errors"
	"time"

	"candlemark/agent/alarm"
)

// look is how often a buzzer that has nothing to do looks whether the quiet
// hours are over.
const look = time.Minute

func (p *Player) runBuzzer(ctx context.Context) {
	l := p.buzzer
	_ = l.set(false) // counted; whatever an earlier run left sounding
	for ctx.Err() == nil {
		c, wanted, done, wait := p.nextCall(time.Now())
		if c == nil {
			l.wait(ctx, wait)
			continue
		}
		done(l.play(ctx, c, wanted))
	}
}

// nextCall is what to sound now, or how long there is nothing. wanted says
// whether it is still to be heard, done takes its end.
func (p *Player) nextCall(now time.Time) (c call, wanted func() bool, done func(error), wait time.Duration) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if t := p.test; t != nil && t.heard != nil {
		heard := t.heard
		t.heard = nil
		return testCall(), func() bool { return true }, func(err error) { heard <- err; p.ended(nil) }, 0
	}
	if before := p.until.Sub(now); before > 0 {
		return nil, nil, nil, before
	}
	quiet := p.cfg.Quiet != nil && p.cfg.Quiet()
	urgent := false
	var next *sounding
	for _, s := range p.active {
		if s.quiet() || callOf(s.alarm.Name, s.alarm.Severity) == nil {
			continue
		}
		critical := s.alarm.Severity == alarm.Critical
		if urgent && !critical || !critical && quiet && !s.first.IsZero() {
			continue
		}
		if critical && !urgent {
			urgent, next = true, nil // no warning between the calls of what is urgent
		}
		if next == nil || s.due.Before(next.due) {
			next = s
		}
	}
	switch {
	case next == nil:
		return nil, nil, nil, look
	case next.due.After(now):
		return nil, nil, nil, min(next.due.Sub(now), look)
	}
	if next.first.IsZero() {
		next.first = now
	}
	id := next.alarm.ID
	return callOf(next.alarm.Name, next.alarm.Severity), func() bool { return p.sounds(id) }, func(error) { p.ended(next) }, 0
}

func (p *Player) sounds(id string) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, s := range p.active {
		if s.alarm.ID == id {
			return !s.quiet()
		}
	}
	return false
}

// ended notes the end of a call; s is nil after a self-test.
func (p *Player) ended(s *sounding) {
	p.mu.Lock()
	defer p.mu.Unlock()
	now := time.Now()
	p.until = now.Add(rest)
	switch {
	case s == nil:
	case s.alarm.Severity != alarm.Critical:
		s.due = now.Add(warnEvery)
	case now.Sub(s.first) < urgentFor:
		s.due = now.Add(urgentEvery)
	default:
		s.due = now.Add(urgentLater)
	}
}

// play sounds a call and stops at once when it is no longer wanted. The line is
// silent afterwards, unless it fails.
func (l *line) play(ctx context.Context, c call, wanted func() bool) error {
	var faults []error
	for _, b := range c {
		faults = append(faults, l.set(true))
		on := l.hold(ctx, b.on, wanted)
		faults = append(faults, l.set(false))
		if !on || !l.hold(ctx, b.off, wanted) {
			break
		}
	}
	return errors.Join(faults...)
}

// hold waits for d, and reports whether to go on.
func (l *line) hold(ctx context.Context, d time.Duration, wanted func() bool) bool {
	for end := time.Now().Add(d); ; {
		left := time.Until(end)
		if left <= 0 {
			return true
		}
		if !l.wait(ctx, left) || !wanted() {
			return false
		}
	}
}
