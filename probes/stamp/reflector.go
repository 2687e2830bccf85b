package stamp

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"slices"
	"sync"
	"time"

	"golang.org/x/time/rate"
)

// Defaults and bounds of a reflector.
const (
	// DefaultPort is unprivileged. The RFC's own, 862, needs a capability.
	DefaultPort = 18620
	wellKnown   = 862

	DefaultSessions  = 256
	DefaultIdle      = time.Minute
	DefaultPerSource = 250  // packets/s
	DefaultInTotal   = 2000 // packets/s

	mostSources = 1024 // rate limits kept at once
	largest     = 9216 // octets of a packet; longer ones are dropped
)

// ReflectorConfig says whom a reflector answers and how much. Zero values of the
// bounds take the defaults.
type ReflectorConfig struct {
	// Key puts the reflector in authenticated mode; it then answers whoever has it,
	// within Allow when that is given too.
	Key []byte
	// Allow are the sources that are answered. Open mode needs it.
	Allow []netip.Prefix

	Sessions  int           // at once
	Idle      time.Duration // after which a session is forgotten
	PerSource int           // packets/s from one address
	InTotal   int           // packets/s
}

// Counts are what became of the packets that came.
type Counts struct {
	Answered                                                 uint64
	Short, NotAllowed, NotAuthentic, Limited, NoRoom, Looped uint64 // dropped, and why
	Unsent                                                   uint64 // the reply could not be sent
}

// Dropped is the sum of what was not answered.
func (c Counts) Dropped() uint64 {
	return c.Short + c.NotAllowed + c.NotAuthentic + c.Limited + c.NoRoom + c.Looped + c.Unsent
}

// Reflector is a stateful Session-Reflector.
type Reflector struct {
	cfg ReflectorConfig

	mu       sync.Mutex
	sessions *sessions
	total    *rate.Limiter
	sources  map[netip.Addr]*rate.Limiter
	counts   Counts
}

// NewReflector checks the configuration. It opens nothing.
func NewReflector(cfg ReflectorConfig) (*Reflector, error) {
	if cfg.Sessions == 0 {
		cfg.Sessions = DefaultSessions
	}
	if cfg.Idle == 0 {
		cfg.Idle = DefaultIdle
	}
	if cfg.PerSource == 0 {
		cfg.PerSource = DefaultPerSource
	}
	if cfg.InTotal == 0 {
		cfg.InTotal = DefaultInTotal
	}
	if cfg.Sessions < 1 || cfg.Idle < time.Second || cfg.PerSource < 1 || cfg.InTotal < 1 {
		return nil, errors.New("stamp reflector: a bound is below the least that works")
	}
	if cfg.Key != nil {
		if err := CheckKey(cfg.Key); err != nil {
			return nil, fmt.Errorf("stamp reflector: %w", err)
		}
	} else if len(cfg.Allow) == 0 {
		return nil, errors.New("stamp reflector: open mode without a list of sources would answer anybody")
	}
	return &Reflector{
		cfg: cfg, sessions: newSessions(cfg.Sessions, cfg.Idle),
		total:   rate.NewLimiter(rate.Limit(cfg.InTotal), cfg.InTotal),
		sources: make(map[netip.Addr]*rate.Limiter),
	}, nil
}

// Counts are those so far.
func (r *Reflector) Counts() Counts {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.counts
}

// Serve answers on conn until ctx ends, and closes it. The error is nil then.
func (r *Reflector) Serve(ctx context.Context, conn *net.UDPConn) error {
	stop := context.AfterFunc(ctx, func() { _ = conn.Close() }) // ends the read
	defer stop()
	defer conn.Close()
	if err := prepare(conn); err != nil {
		return fmt.Errorf("stamp reflector %v: %w", conn.LocalAddr(), err)
	}
	own := conn.LocalAddr().(*net.UDPAddr).AddrPort().Port()
	clock := newClock()
	b, oob := make([]byte, largest), make([]byte, oobOctets)
	for {
		in, err := receive(conn, b, oob)
		if err != nil {
			if ctx.Err() != nil {
				return nil
			}
			if errors.Is(err, net.ErrClosed) {
				return fmt.Errorf("stamp reflector: %w", err)
			}
			continue // an error of the last reply, such as "refused", is not one of the socket
		}
		out := r.answer(in, own, clock)
		if out == nil {
			continue
		}
		if _, err := conn.WriteToUDPAddrPort(out, in.from); err != nil && ctx.Err() == nil {
			r.mu.Lock()
			r.counts.Unsent++
			r.counts.Answered--
			r.mu.Unlock()
		}
	}
}

// answer makes the reply to a packet in its own octets, so that it cannot be
// longer; nil is no reply.
func (r *Reflector) answer(in datagram, own uint16, clock clock) []byte {
	r.mu.Lock()
	defer r.mu.Unlock()
	addr := in.from.Addr().Unmap()
	switch {
	case in.cut || len(in.b) < layoutOf(r.cfg.Key).base:
		r.counts.Short++
		return nil
	case in.from.Port() == own || in.from.Port() == wellKnown || in.from.Port() < 2:
		// Another reflector's answer would be answered, and that answered again, for
		// ever: somebody need only forge one sender.
		r.counts.Looped++
		return nil
	case !r.allowed(addr):
		r.counts.NotAllowed++
		return nil
	case !r.within(addr, in.at):
		r.counts.Limited++
		return nil
	}
	req, err := parseRequest(in.b, r.cfg.Key)
	if err != nil {
		r.counts.NotAuthentic++
		return nil
	}
	seq, ok := r.sessions.next(sessionKey{in.from, req.ssid}, in.at)
	if !ok {
		r.counts.NoRoom++
		return nil
	}
	r.counts.Answered++
	answerTLVs(in.b[layoutOf(r.cfg.Key).base:])
	reply{
		seq: seq, stamp: clock.ntp(time.Now()), error: ownError, ssid: req.ssid,
		received: clock.ntp(in.at), sender: req, ttl: in.ttl,
	}.put(in.b, r.cfg.Key)
	return in.b
}

func (r *Reflector) allowed(a netip.Addr) bool {
	return len(r.cfg.Allow) == 0 || slices.ContainsFunc(r.cfg.Allow, func(p netip.Prefix) bool { return p.Contains(a) })
}

// within holds the rates. The source's is asked first: one that sends too much
// must not use the others' share up.
func (r *Reflector) within(a netip.Addr, now time.Time) bool {
	if a.Is6() { // one host has a whole /64
		p, _ := a.Prefix(64)
		a = p.Addr()
	}
	source := r.sources[a]
	if source == nil {
		if len(r.sources) >= mostSources {
			r.forgetSources(now)
		}
		if len(r.sources) >= mostSources {
			return false
		}
		source = rate.NewLimiter(rate.Limit(r.cfg.PerSource), r.cfg.PerSource)
		r.sources[a] = source
	}
	return source.AllowN(now, 1) && r.total.AllowN(now, 1)
}

// forgetSources drops the limits that have recovered: a new one would be the same.
func (r *Reflector) forgetSources(now time.Time) {
	for a, l := range r.sources {
		if l.TokensAt(now) >= float64(r.cfg.PerSource) {
			delete(r.sources, a)
		}
	}
}
