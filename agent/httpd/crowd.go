package httpd

import (
	"container/list"
	"context"
	"crypto/tls"
	"net"
	"net/http"
	"sync"
	"time"
)

const (
	// mostConnections bounds what connections cost: some 30 KiB each with TLS.
	mostConnections = 512
	// patience is how long an answer under way is safe from making room.
	patience = 2 * time.Second
)

// crowd keeps no more than so many connections open. Where they are all taken, one
// that asks for nothing makes room for the newcomer, the oldest first, so that those
// who hold connections and say nothing shut out one another and nobody else; then one
// whose answer takes long.
type crowd struct {
	net.Listener
	most int

	mu     sync.Mutex
	guests list.List // of *guest, the oldest first
}

// guest is one connection.
type guest struct {
	net.Conn
	crowd *crowd
	place *list.Element // nil once it has gone
	// serving counts the answers under way, since the first of them began.
	serving int
	since   time.Time
}

// Accept implements net.Listener.
func (c *crowd) Accept() (net.Conn, error) {
	for {
		conn, err := c.Listener.Accept()
		if err != nil {
			return nil, err
		}
		g := &guest{Conn: conn, crowd: c}
		c.mu.Lock()
		g.place = c.guests.PushBack(g)
		var out *guest
		if c.guests.Len() > c.most {
			out = c.leastWanted(time.Now())
		}
		c.mu.Unlock()
		if out != nil {
			out.Close() // of a connection nobody waits for an error of
		}
		if out != g {
			return g, nil
		}
	}
}

// leastWanted is who makes room; the newcomer himself where nobody else may be
// disturbed. The caller holds mu.
func (c *crowd) leastWanted(now time.Time) *guest {
	var slowest *guest
	for e := c.guests.Front(); e != nil; e = e.Next() {
		g := e.Value.(*guest)
		if g.serving == 0 && e.Next() != nil {
			return g
		}
		if g.serving > 0 && now.Sub(g.since) > patience && (slowest == nil || g.since.Before(slowest.since)) {
			slowest = g
		}
	}
	if slowest != nil {
		return slowest
	}
	return c.guests.Back().Value.(*guest)
}

// Close implements net.Conn.
func (g *guest) Close() error {
	g.crowd.mu.Lock()
	if g.place != nil {
		g.crowd.guests.Remove(g.place)
		g.place = nil
	}
	g.crowd.mu.Unlock()
	return g.Conn.Close()
}

func (g *guest) serve(n int) {
	g.crowd.mu.Lock()
	defer g.crowd.mu.Unlock()
	if g.serving == 0 {
		g.since = time.Now()
	}
	g.serving += n
}

type guestKey struct{}

// withGuest notes on which connection a request comes.
func withGuest(ctx context.Context, conn net.Conn) context.Context {
	if t, ok := conn.(*tls.Conn); ok {
		conn = t.NetConn()
	}
	return context.WithValue(ctx, guestKey{}, conn)
}

// served keeps a connection's place while it is being answered.
func served(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if g, ok := r.Context().Value(guestKey{}).(*guest); ok {
			g.serve(1)
			defer g.serve(-1)
		}
		next.ServeHTTP(w, r)
	})
}
