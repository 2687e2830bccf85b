package emulink

import (
	"math/rand/v2"
	"sync"
	"time"

	"golang.org/x/sys/unix"
)

const (
	jitterHold = 10 * time.Millisecond
	slots      = 16384 // packets under way
	slotBytes  = 2048
)

// carried is a packet under way.
type carried struct {
	due      time.Time
	protocol Protocol
	b        []byte
}

// way carries packets from one device to another.
type way struct {
	in, out int // descriptors of TUN devices
	wake    int // eventfd that ends receive
	random  *rand.Rand
	queue   chan carried
	free    chan []byte

	mu       sync.Mutex
	p        Way
	n        Counters
	rateNow  float64
	rateTill time.Time
	account  time.Time // CapacityBits is up to date until here

	depart, lastDue time.Time // of receive alone
	jitter          time.Duration
	jitterTill      time.Time
}

func newWay(in, out, wake int, p Way, seed uint64) *way {
	w := &way{
		in: in, out: out, wake: wake, p: p, random: rand.New(rand.NewPCG(seed, 7)),
		queue: make(chan carried, slots), free: make(chan []byte, slots),
		account: time.Now(), rateNow: p.RateBitS,
	}
	backing := make([]byte, slots*slotBytes) // no garbage while a test measures time
	for i := range slots {
		w.free <- backing[i*slotBytes : (i+1)*slotBytes]
	}
	return w
}

// receive takes packets off one device until the link is closed.
func (w *way) receive() {
	defer close(w.queue)
	fds := []unix.PollFd{{Fd: int32(w.in), Events: unix.POLLIN}, {Fd: int32(w.wake), Events: unix.POLLIN}}
	spare := make([]byte, slotBytes)
	for {
		if _, err := unix.Poll(fds, -1); err != nil && err != unix.EINTR {
			return
		}
		if fds[1].Revents != 0 {
			return
		}
		for {
			b := spare
			select {
			case b = <-w.free:
			default:
			}
			n, err := unix.Read(w.in, b)
			if err != nil || n < 20 {
				w.giveBack(b, spare)
				if err == unix.EINTR || err == nil {
					continue
				}
				break // EAGAIN: wait for more; anything else shows in poll
			}
			w.judge(b, n, spare)
		}
	}
}

func (w *way) giveBack(b, spare []byte) {
	if &b[0] != &spare[0] {
		w.free <- b[:slotBytes]
	}
}

// judge decides what becomes of a packet.
func (w *way) judge(b []byte, n int, spare []byte) {
	now := time.Now()
	proto := protocolOf(b[:n])
	w.mu.Lock()
	due, ok := w.fate(now, n, proto)
	if ok && &b[0] == &spare[0] {
		w.n.Overrun++
		ok = false
	}
	w.mu.Unlock()
	if !ok {
		w.giveBack(b, spare)
		return
	}
	w.queue <- carried{due: due, protocol: proto, b: b[:n]} // there are no more packets than places
}

// fate is when a packet comes out, if it does.
func (w *way) fate(now time.Time, n int, proto Protocol) (due time.Time, ok bool) {
	f := &w.n.Flow[proto]
	f.In++
	w.settle(now)
	if w.depart.Before(now) {
		w.depart = now
	}
	if w.rateNow > 0 {
		if waiting := w.depart.Sub(now).Seconds() * w.rateNow / 8; waiting+float64(n) > float64(w.p.QueueBytes) {
			f.Tail++
			return due, false
		}
		w.depart = w.depart.Add(time.Duration(float64(n) * 8e9 / w.rateNow))
	}
	if w.p.LossRatio > 0 && w.random.Float64() < w.p.LossRatio {
		f.Lost++
		return due, false
	}
	if w.p.Jitter > 0 && now.After(w.jitterTill) {
		w.jitter = time.Duration((2*w.random.Float64() - 1) * float64(w.p.Jitter))
		w.jitterTill = now.Add(jitterHold)
	}
	due = w.depart.Add(w.p.Delay + w.jitter)
	if due.Before(w.lastDue) {
		due = w.lastDue
	}
	w.lastDue = due
	return due, true
}

// settle brings the account of the capacity and the wandering rate up to now.
func (w *way) settle(now time.Time) {
	if w.p.WanderRatio == 0 || w.p.RateBitS == 0 {
		w.rateNow = w.p.RateBitS
	} else {
		for w.rateTill.Before(now) {
			if !w.rateTill.IsZero() {
				w.n.CapacityBits += w.rateNow * w.rateTill.Sub(w.account).Seconds()
				w.account = w.rateTill
			} else {
				w.rateTill = now
			}
			w.rateNow = w.p.RateBitS * (1 + w.p.WanderRatio*(2*w.random.Float64()-1))
			w.rateTill = w.rateTill.Add(w.p.WanderHold)
		}
	}
	w.n.CapacityBits += w.rateNow * now.Sub(w.account).Seconds()
	w.account = now
}

func protocolOf(b []byte) Protocol {
	switch {
	case b[0]>>4 != 4:
		return Other
	case b[9] == unix.IPPROTO_TCP:
		return TCP
	case b[9] == unix.IPPROTO_UDP:
		return UDP
	}
	return Other
}

// deliver puts packets out when they are due.
func (w *way) deliver() {
	for c := range w.queue {
		sleepUntil(c.due)
		late := time.Since(c.due)
		_, err := unix.Write(w.out, c.b)
		w.mu.Lock()
		if err == nil {
			w.n.Flow[c.protocol].Out++
			w.n.Flow[c.protocol].Bytes += int64(len(c.b))
		} else {
			w.n.Overrun++
		}
		w.n.LateMax = max(w.n.LateMax, late)
		if late > time.Millisecond {
			w.n.LateOver1ms++
		}
		w.mu.Unlock()
		w.free <- c.b[:slotBytes]
	}
}

// sleepUntil is finer than the runtime's timers, which share one poller.
func sleepUntil(t time.Time) {
	for {
		d := time.Until(t)
		if d <= 0 {
			return
		}
		ts := unix.NsecToTimespec(int64(d))
		_ = unix.Nanosleep(&ts, nil) // an early return only goes round again
	}
}

func (w *way) counters() Counters {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.settle(time.Now())
	return w.n
}

func (w *way) set(p Way) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.settle(time.Now())
	w.p, w.rateTill = p, time.Time{}
}
