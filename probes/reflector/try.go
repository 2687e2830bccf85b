package reflector

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// Try asks whether a probe of this configuration could measure, without the data of
// a transfer: the reflector for its shortest answer, with the token, and for STAMP
// packets where they are configured; a source for its first 64 KiB. took is the least
// round trip to a reflector, and of a source how long that took.
func Try(ctx context.Context, cfg Config) (took time.Duration, err error) {
	p, err := newProber(cfg)
	if err != nil {
		return 0, err
	}
	a := &attempt{prober: p, id: newID()}
	if cfg.Source != "" {
		return a.trySource(ctx)
	}
	if took, err = a.idleRequests(ctx); err != nil || p.idle == nil {
		return took, err
	}
	r := p.idle.Probe(ctx)
	switch {
	case r.Err != nil:
		return took, r.Err
	case !r.Latency.RTTKnown:
		cause := ""
		if r.Latency.LossCause != "" {
			cause = ": " + r.Latency.LossCause
		}
		return took, fmt.Errorf("%w: none of %d%s", ErrNoPackets, r.Latency.Sent, cause)
	}
	return took, nil
}

// ErrNoPackets is a reflector that answers requests and no STAMP packets.
var ErrNoPackets = errors.New("no STAMP packet is answered")

func (a *attempt) trySource(ctx context.Context) (time.Duration, error) {
	begun := time.Now()
	ctx, ph := a.begin(ctx, idleTimeout, 256<<10)
	defer ph.end()
	n, err := ph.get(ctx, "", shortestBody, func(int) {}, func(string) {})
	switch {
	case n >= shortestBody:
		return time.Since(begun), nil // who does not know ranges sends more, and is cut off
	case err == nil:
		err = fmt.Errorf("%d bytes instead of test data", n)
	}
	return 0, ph.fault(ctx, err)
}
