package throughput

import (
	"context"
	"net"
	"net/http"
	"sync"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

const (
	kibi         = 1024
	readSize     = 16 * kibi  // the most taken from or given to a connection at once
	unsentAtMost = 128 * kibi // of an upload in the kernel
)

// wire makes the connections of one phase, counts all they carry against a
// budget, and closes them all when the phase is over.
type wire struct {
	limit int64
	spent func() // called when the budget is

	mu    sync.Mutex
	used  int64
	conns map[*countedConn]struct{}
	over  bool
}

// transport is an HTTP transport of its own, whose connections end with ctx: by
// itself it would go on dialling for a request that is gone.
func (w *wire) transport(ctx context.Context) http.RoundTripper {
	return &http.Transport{
		DialContext: func(_ context.Context, network, address string) (net.Conn, error) {
			return w.dial(ctx, network, address)
		},
		DisableCompression:     true, // bytes on the wire are what is measured
		MaxIdleConnsPerHost:    MaxStreams,
		IdleConnTimeout:        5 * time.Second,
		TLSHandshakeTimeout:    5 * time.Second,
		ResponseHeaderTimeout:  5 * time.Second,
		MaxResponseHeaderBytes: 64 * kibi,
		ReadBufferSize:         readSize,
		WriteBufferSize:        readSize,
	}
}

func (w *wire) dial(ctx context.Context, network, address string) (net.Conn, error) {
	d := net.Dialer{Timeout: 5 * time.Second, Control: boundUnsent}
	conn, err := d.DialContext(ctx, network, address)
	if err != nil {
		return nil, err
	}
	c := &countedConn{Conn: conn, wire: w}
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.over {
		_ = conn.Close() // never used
		return nil, errOver
	}
	w.conns[c] = struct{}{}
	return c, nil
}

// boundUnsent keeps the kernel from taking megabytes of an upload into its send
// buffer, which would pass for speed. Data in flight are not bounded by it.
func boundUnsent(_, _ string, raw syscall.RawConn) error {
	return raw.Control(func(fd uintptr) {
		// Where the kernel cannot, the upload figure is a little high.
		_ = unix.SetsockoptInt(int(fd), unix.IPPROTO_TCP, unix.TCP_NOTSENT_LOWAT, unsentAtMost)
	})
}

// close ends the phase's connections and gives the bytes they carried.
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

// left is the rest of the budget.
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
	left := min(c.wire.left(), readSize, int64(len(p)))
	if left <= 0 {
		return 0, errBudget
	}
	n, err := c.Conn.Read(p[:left])
	c.wire.count(n)
	return n, err
}

func (c *countedConn) Write(p []byte) (written int, err error) {
	for written < len(p) {
		part := min(c.wire.left(), readSize, int64(len(p)-written))
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
	delete(c.wire.conns, c)
	c.wire.mu.Unlock()
	return c.Conn.Close()
}
