package httpd

import (
	"net/netip"
	"sync"
	"time"
)

// The limits of wrong tokens. A try a second from everywhere would need longer than
// the universe is old for the shortest token, if it is drawn at random; the limit is for the log and the
// board's time rather than for the secret.
const (
	triesAtOnce   = 5
	tryEvery      = 10 * time.Second // one more try is granted after it
	mostAddresses = 256
	// Where more strangers guess than are remembered, all who never had the token wait.
	strangersAtOnce = 60
	strangerEvery   = time.Second
)

// guesses counts wrong tokens by address, so that one who guesses does not keep out
// those who know.
type guesses struct {
	mu        sync.Mutex
	by        map[netip.Addr]*bucket
	strangers bucket
}

// bucket holds what was spent of its size; it runs empty at one for each every.
type bucket struct {
	spent float64
	at    time.Time
	known bool // the right token came from there
}

func (b *bucket) leak(now time.Time, every time.Duration) {
	b.spent = max(b.spent-float64(now.Sub(b.at))/float64(every), 0)
	b.at = now
}

// left is how long to wait until there is room for one.
func (b *bucket) left(size float64, every time.Duration) time.Duration {
	return max(time.Duration((b.spent+1-size)*float64(every)), 0)
}

// network is the address that is counted: of IPv6 the network, of which a host has
// as many addresses as it likes.
func network(a netip.Addr) netip.Addr {
	if a.Is6() {
		if p, err := a.WithZone("").Prefix(64); err == nil {
			return p.Addr()
		}
	}
	return a
}

// wait is how long a client at this address has to wait; 0 when it may try.
func (g *guesses) wait(a netip.Addr, now time.Time) time.Duration {
	g.mu.Lock()
	defer g.mu.Unlock()
	b := g.by[network(a)]
	if b != nil {
		b.leak(now, tryEvery)
		if wait := b.left(triesAtOnce, tryEvery); wait > 0 || b.known {
			return wait
		}
	}
	g.strangers.leak(now, strangerEvery)
	return g.strangers.left(strangersAtOnce, strangerEvery)
}

// wrong counts a wrong token.
func (g *guesses) wrong(a netip.Addr, now time.Time) {
	g.mu.Lock()
	defer g.mu.Unlock()
	b := g.at(network(a), now)
	b.leak(now, tryEvery)
	b.spent++
	if !b.known {
		g.strangers.leak(now, strangerEvery)
		g.strangers.spent++
	}
}

// right forgets the wrong ones of somebody who knows the token.
func (g *guesses) right(a netip.Addr, now time.Time) {
	g.mu.Lock()
	defer g.mu.Unlock()
	*g.at(network(a), now) = bucket{at: now, known: true}
}

// at finds or makes the count of an address. The one longest unused makes room,
// those who know the token last.
func (g *guesses) at(a netip.Addr, now time.Time) *bucket {
	if b := g.by[a]; b != nil {
		return b
	}
	if g.by == nil {
		g.by = map[netip.Addr]*bucket{}
	}
	if len(g.by) >= mostAddresses {
		var oldest netip.Addr
		for addr, b := range g.by {
			if o := g.by[oldest]; o == nil || b.known == o.known && b.at.Before(o.at) || !b.known && o.known {
				oldest = addr
			}
		}
		delete(g.by, oldest)
	}
	b := &bucket{at: now}
	g.by[a] = b
	return b
}
