package latency

import (
	"context"
	"errors"
	"net"
	"net/netip"
	"os"
	"os/exec"
	"runtime"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"golang.org/x/sys/unix"

	"candlemark/probes"
)

func newEchoes(want int) *echoes {
	return &echoes{start: time.Now(), timeout: 500 * ms, want: want, stop: func() {}}
}

func TestEchoesAreMatchedOnceAndInTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		e := newEchoes(4)
		e.sent(0)
		time.Sleep(100 * ms)
		e.sent(1)
		time.Sleep(100 * ms)
		e.received(1) // overtakes packet 0
		e.received(0)
		e.received(0) // a duplicate
		e.received(9) // never sent
		e.sent(2)
		e.sent(3)
		time.Sleep(500*ms + 1)
		e.received(2) // too late

		b := e.finish(false, nil)
		s := Summarize(MethodICMP, b.outcomes)
		if s.Sent != 4 || s.Lost != 2 || len(s.RTTs) != 2 || s.RTTs[0] != 200*ms || s.RTTs[1] != 100*ms {
			t.Errorf("stats %+v", s)
		}
		if want := int64(2*2*52 + 2*52); b.bytes != want {
			t.Errorf("%d bytes, want %d", b.bytes, want)
		}
	})
}

func TestEchoesCutShortAreNotLost(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		e := newEchoes(3)
		e.sent(0)
		time.Sleep(500 * ms)
		e.sent(1)
		time.Sleep(100 * ms)
		b := e.finish(false, context.Canceled)
		if len(b.outcomes) != 1 || b.outcomes[0].Answered || b.lossCause != nil {
			t.Errorf("outcomes %+v, cause %v; packet 1 was not waited for", b.outcomes, b.lossCause)
		}
	})
}

func TestEchoRefusedByThisHostIsLostWithItsCause(t *testing.T) {
	e := newEchoes(2)
	opErr := &net.OpError{Op: "write", Net: "udp", Err: os.NewSyscallError("sendto", syscall.ENETUNREACH)}
	for range 3 { // the library goes on trying after the last
		e.refused(opErr)
	}
	b := e.finish(false, opErr)
	if len(b.outcomes) != 2 || b.lossCause == nil || b.lossCause.Error() != "sendto: network is unreachable" || b.bytes != 0 {
		t.Errorf("burst %+v", b)
	}
}

func TestEndlessSendIsEnded(t *testing.T) {
	deferred, went := false, false
	var wg sync.WaitGroup
	wg.Go(func() {
		defer func() { deferred = true }()
		endOnEndlessSend{}.Infof("Pinging a broadcast address")
		went = true
	})
	wg.Wait()
	if !deferred || went {
		t.Errorf("deferred calls ran: %v; loop went on: %v", deferred, went)
	}
}

// unavailable skips a test, or fails it where nothing may be skipped.
func unavailable(t *testing.T, what string, err error) {
	t.Helper()
	if os.Getenv("CANDLEMARK_NO_SKIP") != "" {
		t.Fatalf("needs %s: %v", what, err)
	}
	t.Skipf("needs %s: %v", what, err)
}

// inNetworkNamespace runs f in a network namespace of its own, on a thread that
// dies with it: nothing can leave this host, and the kernel's settings are ours.
func inNetworkNamespace(t *testing.T, f func(t *testing.T)) {
	t.Helper()
	if _, err := exec.LookPath("ip"); err != nil {
		unavailable(t, "the ip command (iproute2)", err)
	}
	done := make(chan error, 1)
	go func() {
		runtime.LockOSThread() // never unlocked: the thread must not be used again
		err := unix.Unshare(unix.CLONE_NEWNET)
		if err == nil {
			f(t)
		}
		done <- err
	}()
	if err := <-done; err != nil {
		unavailable(t, "leave to make a network namespace", err)
	}
}

func ip(t *testing.T, args ...string) {
	t.Helper()
	if out, err := exec.Command("ip", args...).CombinedOutput(); err != nil {
		t.Errorf("ip %v: %v: %s", args, err, out)
	}
}

func allowDatagram(t *testing.T, groups string) {
	t.Helper()
	// The file shows the namespace of the thread that opens it.
	if err := os.WriteFile("/proc/sys/net/ipv4/ping_group_range", []byte(groups), 0o644); err != nil {
		t.Errorf("ping_group_range: %v", err)
	}
}

func icmpProber(t *testing.T, address string) *prober {
	t.Helper()
	p, err := newProber(Config{Name: "self", Section: probes.Hop, Address: address, Method: MethodICMP,
		Count: 5, Interval: 20 * ms, Timeout: 300 * ms})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestICMPOnRealSockets(t *testing.T) {
	inNetworkNamespace(t, func(t *testing.T) {
		ip(t, "link", "set", "lo", "up")
		for _, address := range []string{"127.0.0.1", "::1"} {
			addr := netip.MustParseAddr(address)
			allowDatagram(t, "0 2147483647")
			for _, privileged := range []bool{false, true} {
				cfg := icmpProber(t, address).cfg
				b, err := echoBurst(t.Context(), cfg, addr, privileged)
				if err != nil {
					t.Errorf("%s privileged %v: %v", address, privileged, err)
					continue
				}
				s := Summarize(MethodICMP, b.outcomes)
				if s.Sent != 5 || s.Lost != 0 || s.Min <= 0 || s.P95 > 300*ms {
					t.Errorf("%s privileged %v: %+v", address, privileged, s)
				}
			}

			allowDatagram(t, "1 0") // no group: the kernel's own default
			if _, err := echoBurst(t.Context(), icmpProber(t, address).cfg, addr, false); !errors.Is(err, errNoSocket) {
				t.Errorf("%s: datagram socket not permitted gives %v", address, err)
			}
			if r := icmpProber(t, address).Probe(t.Context()); r.Err != nil || r.Latency.Lost != 0 {
				t.Errorf("%s: raw socket after datagram: %v, %+v", address, r.Err, r.Latency)
			}
		}
	})
}

func TestICMPWithoutRouteOrForbiddenIsLossWithItsCause(t *testing.T) {
	inNetworkNamespace(t, func(t *testing.T) {
		check := func(address, cause string) {
			t.Helper()
			r := icmpProber(t, address).Probe(t.Context())
			if r.Err != nil {
				t.Errorf("%s: %v", address, r.Err)
				return
			}
			if r.Latency.Lost != 5 || r.Latency.Sent != 5 || r.Latency.LossCause != cause {
				t.Errorf("%s: %+v, want cause %q", address, *r.Latency, cause)
			}
		}
		check("192.0.2.1", "connect: network is unreachable")
		ip(t, "link", "set", "lo", "up")
		ip(t, "route", "add", "prohibit", "198.51.100.0/24")
		check("198.51.100.1", "connect: permission denied")

		// The route turns forbidden after it was asked for.
		before := cpuTime(t)
		b, err := echoBurst(t.Context(), icmpProber(t, "198.51.100.1").cfg, netip.MustParseAddr("198.51.100.1"), true)
		if err != nil || Summarize(MethodICMP, b.outcomes).RTTKnown {
			t.Errorf("burst %+v, %v", b, err)
		}
		if used := cpuTime(t) - before; used > 200*ms {
			t.Errorf("used %v of processor time on a forbidden route", used)
		}
	})
}

// A namespace whose loopback route leads nowhere answers nothing.
func TestICMPUnansweredIsLossAndBounded(t *testing.T) {
	inNetworkNamespace(t, func(t *testing.T) {
		ip(t, "link", "set", "lo", "up")
		ip(t, "route", "add", "192.0.2.0/24", "dev", "lo") // loops back, is nobody's, is dropped
		r := icmpProber(t, "192.0.2.1").Probe(t.Context())
		if r.Err != nil || r.Latency.Sent != 5 || r.Latency.Lost != 5 || r.Latency.RTTKnown {
			t.Errorf("error %v, stats %+v", r.Err, r.Latency)
		}
		if r.Elapsed > 700*ms {
			t.Errorf("took %v, want about 0.4 s", r.Elapsed)
		}

		p := icmpProber(t, "192.0.2.1")
		p.cfg.Timeout = 5 * time.Second
		ctx, cancel := context.WithTimeout(t.Context(), 100*ms)
		defer cancel()
		if r = p.Probe(ctx); r.Err == nil || r.Elapsed > 400*ms {
			t.Errorf("interrupted after %v: %v", r.Elapsed, r.Err)
		}
	})
}

func cpuTime(t *testing.T) time.Duration {
	t.Helper()
	var u unix.Rusage
	if err := unix.Getrusage(unix.RUSAGE_SELF, &u); err != nil {
		t.Errorf("getrusage: %v", err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
