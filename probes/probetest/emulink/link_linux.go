package emulink

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"os"
	"runtime"
	"strconv"
	"sync"
	"testing"

	"golang.org/x/sys/unix"
)

// Link is an emulated link with two ends.
type Link struct {
	A, B *End

	forth, back *way
	wakes       [2]int
	running     sync.WaitGroup
}

// End is a network namespace at one end of a link.
type End struct {
	Addr netip.Addr
	ns   int // descriptor of the namespace
	tun  int // descriptor of the device
}

// New makes a link that lasts as long as the test. Without what it needs the test
// is skipped, or fails where CANDLEMARK_NO_SKIP is set.
func New(t testing.TB, p Params) *Link {
	t.Helper()
	for name, w := range map[string]Way{"A to B": p.AtoB, "B to A": p.BtoA} {
		if err := w.check(); err != nil {
			t.Fatalf("emulated link, %s: %v", name, err)
		}
	}
	l, err := open(p)
	if err != nil {
		missing := t.Skipf
		if os.Getenv("CANDLEMARK_NO_SKIP") != "" {
			missing = t.Fatalf
		}
		missing("an emulated link needs root, network namespaces and /dev/net/tun: %v", err)
	}
	// The carrying goroutines must not wait for the test's own to be preempted;
	// with places enough the kernel's scheduler decides, which knows priorities.
	before := runtime.GOMAXPROCS(0)
	runtime.GOMAXPROCS(max(before, 8))
	preferProcess()
	t.Cleanup(func() {
		l.close()
		runtime.GOMAXPROCS(before)
	})
	return l
}

func open(p Params) (*Link, error) {
	if p.MTU == 0 {
		p.MTU = 1500
	}
	addrA, addrB := netip.AddrFrom4([4]byte{10, 77, 0, 1}), netip.AddrFrom4([4]byte{10, 77, 0, 2})
	a, err := newEnd(addrA, addrB, p.MTU)
	if err != nil {
		return nil, err
	}
	b, err := newEnd(addrB, addrA, p.MTU)
	if err != nil {
		a.close()
		return nil, err
	}
	l := &Link{A: a, B: b}
	for i := range l.wakes {
		if l.wakes[i], err = unix.Eventfd(0, unix.EFD_CLOEXEC|unix.EFD_NONBLOCK); err != nil {
			return nil, fmt.Errorf("eventfd: %w", err)
		}
	}
	l.forth = newWay(a.tun, b.tun, l.wakes[0], p.AtoB, p.Seed)
	l.back = newWay(b.tun, a.tun, l.wakes[1], p.BtoA, p.Seed+0x9e3779b97f4a7c15)
	for _, carry := range []func(){l.forth.receive, l.forth.deliver, l.back.receive, l.back.deliver} {
		l.running.Go(func() {
			runtime.LockOSThread() // never unlocked: the thread and its priority end here
			preferThread()
			carry()
		})
	}
	return l, nil
}

// preferThread asks for real-time priority, so that other work on the machine
// does not show as delay of the link. Without it the link is only less exact.
func preferThread() {
	_ = unix.SchedSetAttr(0, &unix.SchedAttr{Size: unix.SizeofSchedAttr, Policy: unix.SCHED_FIFO, Priority: 10}, 0)
}

// preferProcess puts this process before others of the machine: its threads share
// the runtime's locks with those that carry packets, which must not wait for one
// that other work has displaced. Threads made later inherit it.
func preferProcess() {
	tasks, err := os.ReadDir("/proc/self/task")
	if err != nil {
		return // the link is only less exact
	}
	for _, task := range tasks {
		if id, err := strconv.Atoi(task.Name()); err == nil {
			_ = unix.Setpriority(unix.PRIO_PROCESS, id, -15)
		}
	}
}

func (l *Link) close() {
	for _, fd := range l.wakes {
		_, _ = unix.Write(fd, []byte{1, 0, 0, 0, 0, 0, 0, 0}) // cannot be full
	}
	l.running.Wait()
	for _, fd := range l.wakes {
		_ = unix.Close(fd)
	}
	l.A.close()
	l.B.close()
}

// AtoB are the counters of the way from A to B.
func (l *Link) AtoB() Counters { return l.forth.counters() }

// BtoA are the counters of the way from B to A.
func (l *Link) BtoA() Counters { return l.back.counters() }

// Set changes the link under way; packets already carried keep their fate.
func (l *Link) Set(p Params) {
	l.forth.set(p.AtoB)
	l.back.set(p.BtoA)
}

func newEnd(own, peer netip.Addr, mtu int) (*End, error) {
	e := &End{Addr: own, ns: -1, tun: -1}
	err := onOwnThread(func() error {
		if err := unix.Unshare(unix.CLONE_NEWNET); err != nil {
			return fmt.Errorf("new network namespace: %w", err)
		}
		var err error
		if e.ns, err = unix.Open("/proc/thread-self/ns/net", unix.O_RDONLY|unix.O_CLOEXEC, 0); err != nil {
			return fmt.Errorf("network namespace: %w", err)
		}
		// Its neighbour and router messages would be counted with the test's packets.
		_ = os.WriteFile("/proc/sys/net/ipv6/conf/all/disable_ipv6", []byte("1"), 0)
		if e.tun, err = unix.Open("/dev/net/tun", unix.O_RDWR|unix.O_CLOEXEC|unix.O_NONBLOCK, 0); err != nil {
			return fmt.Errorf("/dev/net/tun: %w", err)
		}
		return e.configure(peer, mtu)
	})
	if err != nil {
		e.close()
		return nil, err
	}
	return e, nil
}

// configure names and addresses the device; the thread is in the namespace.
func (e *End) configure(peer netip.Addr, mtu int) error {
	const name = "link0"
	ifr, err := unix.NewIfreq(name)
	if err != nil {
		return err
	}
	ifr.SetUint16(unix.IFF_TUN | unix.IFF_NO_PI)
	if err := unix.IoctlIfreq(e.tun, unix.TUNSETIFF, ifr); err != nil {
		return fmt.Errorf("TUN device: %w", err)
	}
	s, err := unix.Socket(unix.AF_INET, unix.SOCK_DGRAM|unix.SOCK_CLOEXEC, 0)
	if err != nil {
		return err
	}
	defer unix.Close(s)
	set := func(device, what string, request uint, fill func(*unix.Ifreq) error) {
		if err != nil {
			return
		}
		var ifr *unix.Ifreq
		if ifr, err = unix.NewIfreq(device); err != nil {
			return
		}
		if err = fill(ifr); err == nil {
			err = unix.IoctlIfreq(s, request, ifr)
		}
		if err != nil {
			err = fmt.Errorf("%s of %s: %w", what, device, err)
		}
	}
	address := func(a netip.Addr) func(*unix.Ifreq) error {
		return func(i *unix.Ifreq) error { return i.SetInet4Addr(a.AsSlice()) }
	}
	number := func(n uint32) func(*unix.Ifreq) error {
		return func(i *unix.Ifreq) error { i.SetUint32(n); return nil }
	}
	up := func(i *unix.Ifreq) error { i.SetUint16(unix.IFF_UP | unix.IFF_RUNNING); return nil }
	set(name, "address", unix.SIOCSIFADDR, address(e.Addr))
	set(name, "peer", unix.SIOCSIFDSTADDR, address(peer))
	set(name, "MTU", unix.SIOCSIFMTU, number(uint32(mtu)))
	set(name, "queue length", unix.SIOCSIFTXQLEN, number(10000)) // the emulated queue is to be the only one that fills
	set(name, "flags", unix.SIOCSIFFLAGS, up)
	set("lo", "flags", unix.SIOCSIFFLAGS, up)
	return err
}

func (e *End) close() {
	for _, fd := range []int{e.tun, e.ns} {
		if fd >= 0 {
			_ = unix.Close(fd)
		}
	}
}

// onOwnThread runs f on a thread that ends with it, since its namespace cannot be
// given back.
func onOwnThread(f func() error) error {
	done := make(chan error)
	go func() {
		runtime.LockOSThread()
		done <- f()
	}()
	return <-done
}

// Do runs f inside the namespace. Sockets belong to it for good, wherever they are
// used later; goroutines that f starts do not run inside.
func (e *End) Do(f func() error) error {
	return onOwnThread(func() error {
		if err := unix.Setns(e.ns, unix.CLONE_NEWNET); err != nil {
			return fmt.Errorf("enter network namespace: %w", err)
		}
		return f()
	})
}

// DialContext is net.Dialer's, from inside. The address must be an IP address.
func (e *End) DialContext(ctx context.Context, network, address string) (conn net.Conn, err error) {
	if _, err := netip.ParseAddrPort(address); err != nil {
		return nil, errors.New("emulated link: only addresses with a port can be dialled")
	}
	err = e.Do(func() error {
		conn, err = new(net.Dialer).DialContext(ctx, network, address)
		return err
	})
	return conn, err
}

// Listen is net.Listen on the end's address, from inside.
func (e *End) Listen(port uint16) (l net.Listener, err error) {
	err = e.Do(func() error {
		l, err = net.Listen("tcp", netip.AddrPortFrom(e.Addr, port).String())
		return err
	})
	return l, err
}

// ListenUDP opens a UDP socket on the end's address, from inside.
func (e *End) ListenUDP(port uint16) (c *net.UDPConn, err error) {
	err = e.Do(func() error {
		c, err = net.ListenUDP("udp", net.UDPAddrFromAddrPort(netip.AddrPortFrom(e.Addr, port)))
		return err
	})
	return c, err
}
