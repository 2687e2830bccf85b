// Package metered bounds what a group of connections carries: all bytes read from
// and written to any of them count against one budget, and all of them end
// together.
//
// # Limits
//
// A connection may pass the budget by the piece that is under way on each of the
// others, Piece bytes at most. Headers of TCP and IP, acknowledgements and what is
// in flight when a connection is cut are not counted.
package metered

import (
	"errors"
	"iter"
	"maps"
	"net"
	"sync"
)

// Piece is the most that is taken from or given to a connection at once, bytes.
const Piece = 16 << 10

// What ends a connection of a Group.
var (
	ErrBudget = errors.New("byte budget used up")
	ErrOver   = errors.New("measurement over")
)

// Group is connections with one budget. It is safe for several goroutines.
type Group struct {
	limit   int64
	spent   func()
	closing func(net.Conn)

	mu   sync.Mutex
	used int64
	open map[*Conn]struct{}
	over bool
}

// NewGroup makes a group that may carry limit bytes. spent is called when it has,
// perhaps more than once; closing, unless it is nil, just before a connection is
// closed by its user, while no other of the group can be opened or closed.
func NewGroup(limit int64, spent func(), closing func(net.Conn)) *Group {
	return &Group{limit: limit, spent: spent, closing: closing, open: make(map[*Conn]struct{})}
}

// Add takes a connection in. Of a group that has ended it gives ErrOver, and closes
// the connection.
func (g *Group) Add(conn net.Conn) (net.Conn, error) {
	c := &Conn{Conn: conn, group: g}
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.over {
		_ = conn.Close() // never used
		return nil, ErrOver
	}
	g.open[c] = struct{}{}
	return c, nil
}

// Close ends all connections and gives the bytes they carried.
func (g *Group) Close() int64 {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.over = true
	for c := range g.open {
		_ = c.Conn.Close() // nothing on it is wanted any more
	}
	clear(g.open)
	return g.used
}

// Look calls f with the open connections, while none can be opened or closed.
func (g *Group) Look(f func(open iter.Seq[*Conn])) {
	g.mu.Lock()
	defer g.mu.Unlock()
	f(maps.Keys(g.open))
}

// Left is the rest of the budget in bytes.
func (g *Group) Left() int64 {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.limit - g.used
}

// Limit is the whole budget in bytes.
func (g *Group) Limit() int64 { return g.limit }

func (g *Group) count(n int) {
	g.mu.Lock()
	g.used += int64(n)
	spent := g.used >= g.limit
	g.mu.Unlock()
	if spent {
		g.spent()
	}
}

// Conn is a connection of a Group. The Conn within is the one that was added.
type Conn struct {
	net.Conn
	group *Group
}

// Read implements net.Conn.
func (c *Conn) Read(p []byte) (int, error) {
	left := min(c.group.Left(), Piece, int64(len(p)))
	if left <= 0 {
		return 0, ErrBudget
	}
	n, err := c.Conn.Read(p[:left])
	c.group.count(n)
	return n, err
}

// Write implements net.Conn.
func (c *Conn) Write(p []byte) (written int, err error) {
	for written < len(p) {
		part := min(c.group.Left(), Piece, int64(len(p)-written))
		if part <= 0 {
			return written, ErrBudget
		}
		n, err := c.Conn.Write(p[written : written+int(part)])
		c.group.count(n)
		written += n
		if err != nil {
			return written, err
		}
	}
	return written, nil
}

// Close implements net.Conn.
func (c *Conn) Close() error {
	g := c.group
	g.mu.Lock()
	if _, open := g.open[c]; open {
		delete(g.open, c)
		if g.closing != nil {
			g.closing(c.Conn)
		}
	}
	g.mu.Unlock()
	return c.Conn.Close()
}
