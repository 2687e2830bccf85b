package latency

import (
	"context"
	"errors"
	"net"
	"net/netip"
	"os"
	"sync"
	"syscall"
	"time"
)

// What one TCP attempt puts on the wire, with IPv4 headers and the usual options
// (from memory of RFC 9293 and RFC 7323; an allowance, not a count).
const (
	bytesSYN       = 60
	bytesReset     = 40
	bytesConnected = 60 + 60 + 52 + bytesReset // SYN, SYN-ACK, ACK, reset
)

// tcp connects Count times, Interval apart, each attempt under its own time-out.
// Attempts may overlap; all have ended when it returns.
func (p *prober) tcp(ctx context.Context, target netip.AddrPort) (burst, error) {
	type attempt struct {
		Outcome
		cause       error // why lost, when something said so
		err         error // why not measured
		bytes       int64
		interrupted bool
	}
	attempts := make([]attempt, 0, p.cfg.Count)
	start := time.Now()
	pace := time.NewTicker(p.cfg.Interval)
	defer pace.Stop()

	var wg sync.WaitGroup
	for len(attempts) < p.cfg.Count && ctx.Err() == nil {
		attempts = append(attempts, attempt{}) // within capacity: earlier ones do not move
		a := &attempts[len(attempts)-1]
		wg.Go(func() {
			attemptCtx, cancel := context.WithTimeout(ctx, p.cfg.Timeout)
			defer cancel()
			sent := time.Now()
			conn, err := p.dial(attemptCtx, "tcp", target.String())
			a.Outcome = Outcome{Sent: sent.Sub(start), RTT: time.Since(sent)}
			a.Answered, a.cause, a.err = judge(err)
			switch {
			case err == nil:
				a.bytes = bytesConnected
				drop(conn)
			case a.Answered:
				a.bytes = bytesSYN + bytesReset
			default:
				a.bytes = bytesSYN
				a.interrupted = ctx.Err() != nil
			}
			// An answer that came in just past the time-out is a lost packet.
			if a.RTT > p.cfg.Timeout {
				a.Answered = false
			}
		})
		if len(attempts) == p.cfg.Count {
			break
		}
		select {
		case <-pace.C:
		case <-ctx.Done():
		}
	}
	wg.Wait()

	var b burst
	for i := range attempts {
		a := &attempts[i]
		b.bytes += a.bytes
		if a.interrupted {
			continue // its fate is unknown: not sent, rather than lost
		}
		if a.err != nil {
			return b, a.err
		}
		b.outcomes = append(b.outcomes, a.Outcome)
		if a.cause != nil {
			b.lossCause = a.cause
		}
	}
	return b, nil
}

// drop closes with a reset, which costs one packet instead of three and leaves no
// socket waiting behind.
func drop(conn net.Conn) {
	if c, ok := conn.(*net.TCPConn); ok {
		_ = c.SetLinger(0) // at worst the close is the long one
	}
	_ = conn.Close() // nothing was written that could be lost
}

// judge says what the end of a connect means: an answer, a loss (with its cause
// when something gave one), or that nothing was measured.
func judge(err error) (answered bool, cause, unmeasured error) {
	var timeout net.Error
	switch {
	case err == nil, errors.Is(err, syscall.ECONNREFUSED):
		return true, nil, nil
	case errors.Is(err, syscall.EMFILE), errors.Is(err, syscall.ENFILE),
		errors.Is(err, syscall.ENOBUFS), errors.Is(err, syscall.ENOMEM):
		return false, nil, err // this host is short of something: it says nothing about the link
	case errors.Is(err, context.DeadlineExceeded), errors.Is(err, os.ErrDeadlineExceeded),
		errors.As(err, &timeout) && timeout.Timeout():
		return false, nil, nil
	}
	return false, rootCause(err), nil
}

// rootCause strips the addresses that net puts before a system error: the
// caller's text has the target already, and a constant text can be compared.
func rootCause(err error) error {
	var sys *os.SyscallError
	if errors.As(err, &sys) {
		return sys
	}
	return err
}
