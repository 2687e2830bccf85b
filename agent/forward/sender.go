package forward

import (
	"context"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"candlemark/agent/journal"
	"candlemark/agent/retry"
	"candlemark/agent/status"
)

const (
	firstPause = time.Second
	lastPause  = 2 * time.Minute
	roomEvery  = time.Minute // how often a spent data budget is looked at again
	// liveWithin is how far behind the sender may be and not be catching up.
	liveWithin = 5 * time.Minute
)

// sender drains the backlog. Only its run touches what is not under mu.
type sender struct {
	cfg   Config
	parts Parts
	post  *poster
	added <-chan struct{}
	moved func() int64 // bytes over the connections since the start
	late  *atomic.Bool // set while what is sent catches up

	done     uint64 // forgotten
	buffer   []journal.Gathering
	patience int // requests that may be spent on splitting the next batch
	offend   offenders
	refusing time.Time     // since when not a single sample was accepted; zero while all is well
	wait     time.Duration // before the next attempt, while the way to the receiver is unwell

	mu sync.Mutex
	st status.Forward
}

// batch is what one request carries: whole gatherings.
type batch struct {
	samples []sample
	through uint64 // number of the last gathering
	full    bool   // more would not have fitted
	behind  bool   // its samples are older than what is sent in passing
}

func (s *sender) run(ctx context.Context) {
	for ctx.Err() == nil {
		b, wait := s.next()
		if b == nil {
			s.pause(ctx, wait, true)
			continue
		}
		before := s.moved()
		s.late.Store(b.behind)
		if !s.deliver(ctx, b.samples) {
			continue
		}
		s.forget(b.through)
		if b.behind {
			spent := s.moved() - before
			s.pause(ctx, time.Duration(float64(spent)/float64(s.cfg.CatchUpBytes)*float64(time.Second)), false)
		}
	}
}

// next makes the next batch, or says how long there is none to send.
func (s *sender) next() (*batch, time.Duration) {
	for {
		if err := s.fill(); err != nil {
			s.fault(err)
			return nil, lastPause
		}
		if len(s.buffer) == 0 {
			s.noneWaits()
			return nil, lastPause
		}
		b, held := s.take()
		switch {
		case b == nil && !held:
			continue // all that was read had to be dropped
		case b == nil:
			return nil, s.cfg.Every
		}
		age := s.parts.Clock.Uptime() - s.buffer[0].Up // where it is of this boot
		if !b.full && s.buffer[0].Boot == s.parts.Boot && age < s.cfg.SendEvery {
			return nil, s.cfg.SendEvery - age
		}
		return b, 0
	}
}

// fill reads ahead, about two requests' worth.
func (s *sender) fill() error {
	most := 2
	if len(s.buffer) > 0 {
		most = max(2*s.cfg.MaxSamples/max(len(s.buffer[0].Series), 1), most)
		if len(s.buffer) >= most {
			return nil
		}
	}
	after := s.done
	if n := len(s.buffer); n > 0 {
		after = s.buffer[n-1].Seq
	}
	more, err := s.parts.Backlog.Gatherings(after, most)
	if err != nil {
		return err
	}
	s.buffer = append(s.buffer, more...)
	if len(more) > 0 && most == 2 {
		return s.fill() // now that the size of a gathering is known
	}
	return nil
}

// take makes a batch of the gatherings at the head of the buffer and leaves them
// there. held says that their time is not known yet. What can have no time, or is
// too old, is dropped.
func (s *sender) take() (b *batch, held bool) {
	now, _ := s.parts.Clock.Wall(s.parts.Boot, s.parts.Clock.Uptime())
	for len(s.buffer) > 0 {
		g := s.buffer[0]
		wall, known := s.parts.Clock.Wall(g.Boot, g.Up)
		switch {
		case !known && g.Boot == s.parts.Boot:
			s.hold("the clock is not set; samples wait for their time")
			return nil, true
		case !known:
			s.drop(g, &s.st.Undated)
		case !now.IsZero() && now.Sub(wall) > s.cfg.MaxAge:
			s.drop(g, &s.st.Expired)
		default:
			s.underWay(wall)
			return s.batch(now.Sub(wall) > liveWithin), false
		}
	}
	return nil, false
}

// batch takes as many gatherings as one request carries.
func (s *sender) batch(behind bool) *batch {
	b := &batch{behind: behind}
	for i, g := range s.buffer {
		wall, known := s.parts.Clock.Wall(g.Boot, g.Up)
		if !known {
			break
		}
		if i > 0 && len(b.samples)+len(g.Series) > s.cfg.MaxSamples {
			b.full = true
			break
		}
		for n, series := range g.Series {
			b.samples = append(b.samples, sample{series, wall.UnixMilli(), g.Values[n]})
		}
		b.through = g.Seq
	}
	return b
}

func (s *sender) drop(g journal.Gathering, counter *uint64) {
	s.mu.Lock()
	*counter += uint64(len(g.Series))
	s.mu.Unlock()
	s.forget(g.Seq)
}

// forget is done with the gatherings up to number through.
func (s *sender) forget(through uint64) {
	for len(s.buffer) > 0 && s.buffer[0].Seq <= through {
		s.buffer = s.buffer[1:]
	}
	s.done = through
	s.parts.Backlog.Forget(through)
}

// pause waits for d, for a gathering where wake is set, or for the end of ctx.
func (s *sender) pause(ctx context.Context, d time.Duration, wake bool) {
	if d <= 0 {
		return
	}
	timer := time.NewTimer(d)
	defer timer.Stop()
	added := s.added
	if !wake {
		added = nil
	}
	select {
	case <-ctx.Done():
	case <-timer.C:
	case <-added:
	}
}

// try posts until the receiver has answered for the samples, and returns its
// verdict: accepted, refused, outOfDate or duplicate. False means that ctx ended,
// or, where giveUp is set, that not a byte has reached anybody. It spends nothing that
// the data budget does not hold.
func (s *sender) try(ctx context.Context, samples []sample, giveUp bool) (outcome, bool) {
	var size int64
	if s.parts.Room != nil {
		size = s.post.most(samples)
	}
	for ctx.Err() == nil {
		if s.parts.Room != nil && !s.parts.Room(size) {
			s.hold("the data budget for forwarding is spent; samples wait")
			s.pause(ctx, roomEvery, false)
			if giveUp {
				return outcome{}, false
			}
			continue
		}
		o := s.post.post(ctx, samples)
		s.requested(o)
		if o.verdict != again && o.verdict != misfit {
			s.wait = 0
			return o, true
		}
		s.wait = min(max(2*s.wait, firstPause), lastPause)
		s.pause(ctx, max(retry.Jittered(s.wait), o.retryAfter), false)
		if giveUp = giveUp && o.unsent; giveUp {
			return o, false
		}
	}
	return outcome{}, false
}

// The state for others to see.

func (s *sender) requested(o outcome) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.st.Requests++
	s.st.LastError = ""
	if o.err != nil {
		s.st.Failures++
		s.st.LastError = o.err.Error()
	}
}

func (s *sender) gathered(bad int, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.st.Invalid += uint64(bad)
	s.st.GatherError = ""
	if err != nil {
		s.st.GatherError = err.Error()
	}
}

func (s *sender) hold(why string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.st.Held = why
}

func (s *sender) fault(err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.st.LastError = fmt.Sprintf("forward samples: %v", err)
}

// underWay notes the time of what is sent next.
func (s *sender) underWay(oldest time.Time) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.st.Oldest, s.st.OldestKnown, s.st.Held = oldest, true, ""
}

func (s *sender) noneWaits() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.st.Held, s.st.Oldest, s.st.OldestKnown = "", time.Time{}, false
}

func (s *sender) status() status.Forward {
	s.mu.Lock()
	defer s.mu.Unlock()
	st := s.st
	st.Bytes = s.moved()
	return st
}
