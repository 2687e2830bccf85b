package latency

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"runtime"
	"sync"
	"time"

	probing "github.com/prometheus-community/pro-bing"
)

// errNoSocket says that this process may not open the kind of socket asked for.
var errNoSocket = errors.New("no ICMP socket")

// An echo request of pro-bing's least size: 8 octets of ICMP header, 24 of data.
const (
	echoOctets = 32
	headerIPv4 = 20
	headerIPv6 = 40
)

// icmp sends the burst from a datagram socket or, failing that, a raw one.
func (p *prober) icmp(ctx context.Context, addr netip.Addr) (burst, error) {
	// The kernel looks the route up when a UDP socket is connected, without
	// sending. Asking first keeps a missing or forbidden route apart from a
	// missing permission, and keeps the library out of a trap: it answers EACCES
	// (a "prohibit" route) by sending again for ever.
	if conn, err := p.dial(ctx, "udp", netip.AddrPortFrom(addr, p.port).String()); err == nil {
		_ = conn.Close() // nothing was sent
	} else if ctx.Err() == nil {
		_, cause, unmeasured := judge(err)
		if unmeasured != nil {
			return burst{}, unmeasured
		}
		return burst{outcomes: make([]Outcome, p.cfg.Count), lossCause: cause}, nil
	}

	datagram, err := p.echo(ctx, p.cfg, addr, false)
	if !errors.Is(err, errNoSocket) {
		return datagram, err
	}
	raw, rawErr := p.echo(ctx, p.cfg, addr, true)
	if errors.Is(rawErr, errNoSocket) {
		return burst{}, fmt.Errorf("datagram: %w; raw: %w", err, rawErr)
	}
	return raw, rawErr
}

// echoBurst runs pro-bing. Round trips are taken here by the monotonic clock: the
// library's own come from wall-clock stamps in the packet, which jump when the
// clock is set and which the far end could forge.
func echoBurst(ctx context.Context, cfg Config, addr netip.Addr, privileged bool) (burst, error) {
	pinger := probing.New("")
	pinger.SetIPAddr(&net.IPAddr{IP: addr.AsSlice(), Zone: addr.Zone()})
	pinger.SetPrivileged(privileged)
	pinger.SetLogger(endOnEndlessSend{})
	pinger.Count = cfg.Count
	pinger.Interval = cfg.Interval
	pinger.Timeout = time.Duration(cfg.Count)*cfg.Interval + cfg.Timeout
	pinger.RecordRtts, pinger.RecordTTLs = false, false

	e := &echoes{start: time.Now(), timeout: cfg.Timeout, want: cfg.Count, stop: pinger.Stop}
	opened := false
	pinger.OnSetup = func() { opened = true }
	pinger.OnSend = func(pkt *probing.Packet) { e.sent(pkt.Seq) }
	pinger.OnSendError = func(_ *probing.Packet, err error) { e.refused(err) }
	pinger.OnRecv = func(pkt *probing.Packet) { e.received(pkt.Seq) }

	err := pinger.RunWithContext(ctx)
	if !opened && ctx.Err() == nil {
		return burst{}, fmt.Errorf("%w: %w", errNoSocket, rootCause(err))
	}
	return e.finish(addr.Is6(), err), nil
}

// echoes keeps the fate of each packet of a burst.
type echoes struct {
	start   time.Time
	timeout time.Duration
	want    int
	stop    func()

	mu      sync.Mutex
	packets []echo
	bySeq   map[int]int // sequence number to index in packets
	cause   error
	last    *time.Timer
}

type echo struct {
	sent     time.Time
	rtt      time.Duration
	answered bool
	refused  bool // by this host: lost without waiting
}

func (e *echoes) sent(seq int) {
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.bySeq == nil {
		e.bySeq = make(map[int]int)
	}
	e.bySeq[seq] = len(e.packets)
	e.add(echo{sent: time.Now()})
}

// refused counts an attempt that the local stack turned down, for example since
// the route has gone: for the purpose of an outage it is sent and lost.
func (e *echoes) refused(err error) {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.cause = rootCause(err)
	if len(e.packets) < e.want {
		e.add(echo{sent: time.Now(), refused: true})
	}
}

// add notes an attempt; the last one starts the wait that ends the burst. The
// library itself would wait for as many answers as it sent packets.
func (e *echoes) add(p echo) {
	e.packets = append(e.packets, p)
	if len(e.packets) == e.want {
		e.last = time.AfterFunc(e.timeout, e.stop)
	}
}

func (e *echoes) received(seq int) {
	e.mu.Lock()
	defer e.mu.Unlock()
	i, ok := e.bySeq[seq]
	if !ok || e.packets[i].answered {
		return
	}
	p := &e.packets[i]
	if rtt := time.Since(p.sent); rtt <= e.timeout {
		p.rtt, p.answered = rtt, true
	}
}

// finish sums up. A packet that was neither answered nor waited for in full, as
// when the burst was cut short, is left out: its fate is unknown.
func (e *echoes) finish(ipv6 bool, err error) burst {
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.last != nil {
		e.last.Stop()
	}
	if err != nil && e.cause == nil && !errors.Is(err, context.Canceled) && !errors.Is(err, context.DeadlineExceeded) {
		e.cause = rootCause(err)
	}
	size := int64(echoOctets + headerIPv4)
	if ipv6 {
		size = echoOctets + headerIPv6
	}
	b := burst{lossCause: e.cause}
	for _, p := range e.packets {
		switch {
		case p.answered:
			b.bytes += 2 * size
		case p.refused:
		case time.Since(p.sent) < e.timeout:
			b.bytes += size
			continue
		default:
			b.bytes += size
		}
		b.outcomes = append(b.outcomes, Outcome{Sent: p.sent.Sub(e.start), RTT: p.rtt, Answered: p.answered})
	}
	return b
}

// endOnEndlessSend is the logger given to pro-bing, which has nothing else to
// say that is not also an error or a callback. While it sends to a route that has
// become forbidden it calls Infof before each of endlessly many tries, at full
// speed, blind to its context; ending that goroutine here, where it holds no
// lock, lets its deferred calls end the burst.
type endOnEndlessSend struct{ probing.NoopLogger }

// Infof ends the calling goroutine.
func (endOnEndlessSend) Infof(string, ...any) { runtime.Goexit() }
