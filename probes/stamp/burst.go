package stamp

import (
	"context"
	"errors"
	"net"
	"os"
	"sync"
	"syscall"
	"time"
)

// sent is one packet of a burst and what became of it.
type sent struct {
	at       time.Time
	stamp    uint64
	answered bool // in time
	late     bool
	arrived  time.Time
	reply    reply
}

// burst is one session under way.
type burst struct {
	cfg   Config
	conn  *net.UDPConn
	ssid  uint16
	clock clock
	out   []byte

	packets int // written and received

	mu      sync.Mutex
	sent    []sent
	closers []sent
	settled chan struct{} // gets a token at each answer
	cause   error         // why packets were lost, when something said so
}

func newBurst(cfg Config, conn *net.UDPConn, ssid uint16) *burst {
	return &burst{
		cfg: cfg, conn: conn, ssid: ssid, clock: newClock(),
		out:     make([]byte, layoutOf(cfg.Key).base+cfg.Padding),
		settled: make(chan struct{}, 1),
	}
}

// run sends the burst, waits for answers, and closes the socket. All it started
// has ended when it returns.
func (b *burst) run(ctx context.Context) error {
	received := make(chan int)
	go func() { received <- b.receive() }()
	err := b.sendAll(ctx)
	if err == nil && ctx.Err() == nil { // interrupted, perhaps nothing was sent
		b.wait(ctx, b.lastSent().Add(b.cfg.Timeout), b.allAnswered)
		err = b.close(ctx)
	}
	_ = b.conn.Close() // ends receive
	b.packets += <-received
	return err
}

func (b *burst) sendAll(ctx context.Context) error {
	start := time.Now()
	pace := time.NewTimer(0)
	defer pace.Stop()
	for i := range b.cfg.Count {
		pace.Reset(time.Until(start.Add(time.Duration(i) * b.cfg.Interval)))
		select {
		case <-pace.C:
		case <-ctx.Done():
			return nil // the caller looks at ctx
		}
		if err := b.send(&b.sent, uint32(i)); err != nil {
			return err
		}
	}
	return nil
}

// send puts one packet on the wire and on the list. A packet that the local stack
// or a router turned down is sent and lost; a want of buffers says nothing of the
// link and ends the burst.
func (b *burst) send(list *[]sent, seq uint32) error {
	b.mu.Lock()
	at := time.Now()
	s := sent{at: at, stamp: b.clock.ntp(at)}
	*list = append(*list, s)
	clear(b.out)
	request{seq: seq, stamp: s.stamp, error: ownError, ssid: b.ssid}.put(b.out, b.cfg.Key)
	putPadding(b.out[layoutOf(b.cfg.Key).base:])
	b.mu.Unlock()

	_, err := b.conn.Write(b.out)
	if errors.Is(err, syscall.ECONNREFUSED) {
		b.note(err) // of an earlier packet; this one was not sent
		_, err = b.conn.Write(b.out)
	}
	if isShortage(err) {
		return err
	}
	if err != nil {
		b.note(err)
		return nil
	}
	b.packets++
	return nil
}

func (b *burst) note(err error) {
	b.mu.Lock()
	b.cause = rootCause(err)
	b.mu.Unlock()
}

// receive takes answers until the socket is closed and gives their number.
func (b *burst) receive() (n int) {
	buf, oob := make([]byte, largest), make([]byte, oobOctets)
	for {
		in, err := receive(b.conn, buf, oob)
		if errors.Is(err, net.ErrClosed) {
			return n
		}
		if err != nil {
			b.note(err)
			continue
		}
		n++
		if r, err := parseReply(in.b, b.cfg.Key); err == nil && (r.ssid == b.ssid || r.ssid == 0) {
			b.match(r, in.at) // a reflector older than RFC 8972 sends no SSID
		}
	}
}

// match finds the packet that an answer is for: by number and by timestamp, which
// nobody who did not see the packet can know to the last of its bits.
func (b *burst) match(r reply, at time.Time) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, list := range [][]sent{b.sent, b.closers} {
		if int64(r.sender.seq) >= int64(len(list)) || list[r.sender.seq].stamp != r.sender.stamp {
			continue
		}
		s := &list[r.sender.seq]
		if s.answered || s.late {
			return // the first answer counts
		}
		s.reply, s.arrived = r, at
		s.late = at.Sub(s.at) > b.cfg.Timeout
		s.answered = !s.late
		select {
		case b.settled <- struct{}{}:
		default:
		}
		return
	}
}

func (b *burst) lastSent() time.Time {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.sent[len(b.sent)-1].at
}

func (b *burst) allAnswered() bool {
	for _, s := range b.sent {
		if !s.answered {
			return false
		}
	}
	return true
}

// wait returns when done, which is called under the lock, at the latest until.
func (b *burst) wait(ctx context.Context, until time.Time, done func() bool) {
	t := time.NewTimer(time.Until(until))
	defer t.Stop()
	for {
		b.mu.Lock()
		over := done()
		b.mu.Unlock()
		if over {
			return
		}
		select {
		case <-b.settled:
		case <-t.C:
			return
		case <-ctx.Done():
			return
		}
	}
}

// close asks a stateful reflector for its count, when losses are to be laid to one
// direction or the other.
func (b *burst) close(ctx context.Context) error {
	b.mu.Lock()
	all, any := b.allAnswered(), false
	for _, s := range b.sent {
		any = any || s.answered
	}
	b.mu.Unlock()
	if all || !any {
		return nil
	}
	for i := range closers {
		if ctx.Err() != nil {
			return nil
		}
		if err := b.send(&b.closers, uint32(i)); err != nil {
			return err
		}
		b.wait(ctx, b.closers[i].at.Add(b.cfg.Timeout), func() bool { return b.closers[i].answered })
		b.mu.Lock()
		answered := b.closers[i].answered
		b.mu.Unlock()
		if answered {
			return nil
		}
	}
	return nil
}

// isShortage says that this host, not the link, is in the way.
func isShortage(err error) bool {
	for _, e := range []error{syscall.EMFILE, syscall.ENFILE, syscall.ENOBUFS, syscall.ENOMEM, syscall.EMSGSIZE} {
		if errors.Is(err, e) {
			return true
		}
	}
	return false
}

// rootCause strips the addresses that net puts before a system error.
func rootCause(err error) error {
	var sys *os.SyscallError
	if errors.As(err, &sys) {
		return sys
	}
	return err
}
