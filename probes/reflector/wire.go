package reflector

import (
	"context"
	"errors"
	"iter"
	"net"
	"time"

	"candlemark/probes/metered"
)

const piece = metered.Piece

// What ends a phase, beside metered's errors.
var (
	errDeadline = errors.New("deadline")
	errKnown    = errors.New("figure known")
	errCeiling  = errors.New("byte ceiling")
	errEnded    = errors.New("source ended")
)

// wire makes the connections of one phase and sums what the kernel tells of them.
type wire struct {
	*metered.Group
	dial       Dial
	congestion string

	// Only touched while the group is looked at, or one of it is closing.
	gone     tcpInfo // sums of closed connections
	inForce  string
	infoFail bool
}

// newWire makes a wire that may carry limit bytes; spent is called when it has.
func newWire(dial Dial, congestion string, limit int64, spent func()) *wire {
	w := &wire{dial: dial, congestion: congestion}
	w.Group = metered.NewGroup(limit, spent, func(c net.Conn) {
		if i, ok := infoOf(c); ok {
			w.gone = w.gone.plus(i)
		}
	})
	return w
}

func (w *wire) dialContext(ctx context.Context, network, address string) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	conn, err := w.dial(ctx, network, address)
	if err != nil {
		return nil, err
	}
	inForce := tune(conn, w.congestion)
	w.Look(func(iter.Seq[*metered.Conn]) { w.inForce = inForce })
	return w.Add(conn)
}

// congestionInForce is that of the newest connection.
func (w *wire) congestionInForce() (name string) {
	w.Look(func(iter.Seq[*metered.Conn]) { name = w.inForce })
	return name
}

// info sums what the kernel tells of all connections so far; the round trips are
// the means of those that have one. ok is false where it tells nothing.
func (w *wire) info() (sum tcpInfo, ok bool) {
	w.Look(func(open iter.Seq[*metered.Conn]) {
		sum = w.gone
		var rtts, receiver int
		for c := range open {
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
		ok = !w.infoFail
	})
	return sum, ok
}
