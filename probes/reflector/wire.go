package reflector

import (
	"context"
	"errors"
	"net"
	"sync"
	"time"
)

const piece = 16 << 10 // bytes, the most taken from or given to a connection at once

var (
	errBudget   = errors.New("byte budget used up")
	errDeadline = errors.New("deadline")
	errOver     = errors.New("measurement over")
	errKnown    = errors.New("figure known")
	errEnded    = errors.New("source ended")
)

// wire makes the connections of one phase, counts all they carry against a budget,
// and closes them all at the end.
type wire struct {
	dial       Dial
	congestion string
	limit      int64
	spent      func() // called when the budget is

	mu       sync.Mutex
	used     int64
	conns    map[*countedConn]struct{}
	gone     tcpInfo // sums of closed connections
	over     bool
	inForce  string
	infoFail bool
}

func (w *wire) dialContext(ctx context.Context, network, address string) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	conn, err := w.dial(ctx, network, address)
	if err != nil {
		return nil, err
	}
	inForce := tune(conn, w.congestion)
	c := &countedConn{Conn: conn, wire: w}
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.over {
		_ = conn.Close() // never used
		return nil, errOver
	}
	w.inForce = inForce
	w.conns[c] = struct{}{}
	return c, nil
}

// close ends the connections and gives the bytes they carried.
func (w *wire) close() int64 {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.over = true
	for c := range w.conns {
		_ = c.Conn.Close() // nothing on it is wanted any more
	}
	clear(w.conns)
	return w.used
}

// info sums what the kernel tells of all connections so far; the round trips are
// the means of those that have one. ok is false where it tells nothing.
func (w *wire) info() (sum tcpInfo, ok bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	sum = w.gone
	var rtts, receiver int
	for c := range w.conns {
		i, ok := infoOf(c)
		if !ok {
			w.infoFail = true
			continue
		}
		sum = sum.plus(i)
		if i.rtt > 0 {
			sum.rtt += i.rtt
			rtts++
		}
		if i.receiverRTT > 0 {
			sum.receiverRTT += i.receiverRTT
			receiver++
		}
	}
	sum.rtt /= time.Duration(max(rtts, 1))
	sum.receiverRTT /= time.Duration(max(receiver, 1))
	return sum, !w.infoFail
}

func (w *wire) left() int64 {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.limit - w.used
}

func (w *wire) count(n int) {
	w.mu.Lock()
	w.used += int64(n)
	spent := w.used >= w.limit
	w.mu.Unlock()
	if spent {
		w.spent()
	}
}

type countedConn struct {
	net.Conn
	wire *wire
}

func (c *countedConn) Read(p []byte) (int, error) {
	left := min(c.wire.left(), piece, int64(len(p)))
	if left <= 0 {
		return 0, errBudget
	}
	n, err := c.Conn.Read(p[:left])
	c.wire.count(n)
	return n, err
}

func (c *countedConn) Write(p []byte) (written int, err error) {
	for written < len(p) {
		part := min(c.wire.left(), piece, int64(len(p)-written))
		if part <= 0 {
			return written, errBudget
		}
		n, err := c.Conn.Write(p[written : written+int(part)])
		c.wire.count(n)
		written += n
		if err != nil {
			return written, err
		}
	}
	return written, nil
}

func (c *countedConn) Close() error {
	c.wire.mu.Lock()
	if _, open := c.wire.conns[c]; open {
		delete(c.wire.conns, c)
		if i, ok := infoOf(c); ok {
			c.wire.gone = c.wire.gone.plus(i)
		}
	}
	c.wire.mu.Unlock()
	return c.Conn.Close()
}
