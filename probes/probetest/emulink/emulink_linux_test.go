package emulink

import (
	"io"
	"math"
	"net"
	"testing"
	"time"

	"go.uber.org/goleak"
	"golang.org/x/sys/unix"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const ms = time.Millisecond

// echo sends n datagrams, gap apart, and gives the round trips of those that came back.
func echo(t *testing.T, l *Link, n, size int, gap time.Duration) (rtts []time.Duration) {
	t.Helper()
	server, err := l.B.ListenUDP(7000)
	if err != nil {
		t.Fatal(err)
	}
	go func() {
		b := make([]byte, 2048)
		for {
			n, from, err := server.ReadFromUDPAddrPort(b)
			if err != nil {
				return
			}
			server.WriteToUDPAddrPort(b[:n], from)
		}
	}()
	defer server.Close()
	c, err := l.A.DialContext(t.Context(), "udp", "10.77.0.2:7000")
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	sent := make([]time.Time, n)
	done := make(chan struct{})
	go func() {
		defer close(done)
		b := make([]byte, 2048)
		for {
			k, err := c.Read(b)
			if err != nil {
				return
			}
			if k >= 2 {
				rtts = append(rtts, time.Since(sent[int(b[0])<<8|int(b[1])]))
			}
		}
	}()
	b := make([]byte, size)
	for i := range n {
		b[0], b[1] = byte(i>>8), byte(i)
		sent[i] = time.Now()
		c.Write(b)
		time.Sleep(gap)
	}
	c.SetReadDeadline(time.Now().Add(500 * ms))
	<-done
	return rtts
}

func TestDelayIsTheOneAskedFor(t *testing.T) {
	l := New(t, Symmetric(Way{Delay: 20 * ms}, 1))
	rtts := echo(t, l, 50, 64, 5*ms)
	if len(rtts) != 50 {
		t.Fatalf("%d of 50 came back", len(rtts))
	}
	least, most := rtts[0], rtts[0]
	for _, r := range rtts {
		least, most = min(least, r), max(most, r)
	}
	t.Logf("round trips %v to %v, late at most %v", least, most, l.AtoB().LateMax)
	if least < 40*ms || least > 41*ms {
		t.Errorf("least round trip %v, want 40 ms and at most 1 ms more", least)
	}
}

func TestLossIsCountedAndNearTheRatioAskedFor(t *testing.T) {
	p := Symmetric(Way{LossRatio: 0.2, Delay: ms}, 3)
	p.BtoA.LossRatio = 0.1
	l := New(t, p)
	back := echo(t, l, 1000, 64, 200*time.Microsecond)
	forth, ret := l.AtoB().Flow[UDP], l.BtoA().Flow[UDP]
	if forth.In != 1000 || forth.Out+forth.Lost != 1000 || ret.In != forth.Out || int(ret.Out) != len(back) {
		t.Errorf("forth %+v, back %+v, %d answers", forth, ret, len(back))
	}
	// Four standard deviations of a binomial: 4·sqrt(0.2·0.8/1000) = 0.05.
	if got := float64(forth.Lost) / 1000; math.Abs(got-0.2) > 0.05 {
		t.Errorf("loss %v, want 0.2", got)
	}
	if got := float64(ret.Lost) / float64(ret.In); math.Abs(got-0.1) > 0.045 {
		t.Errorf("loss back %v, want 0.1", got)
	}
}

func TestQueueDropsItsTailAndDelays(t *testing.T) {
	// 100 packets of 1028 IP bytes at once into 20,560 bytes of queue: 20 fit.
	// At 8.224 Mbit/s each takes 1 ms.
	// Another process can hold the sender up for some milliseconds; of five tries
	// one must be undisturbed.
	for try := 1; ; try++ {
		l := New(t, Params{AtoB: Way{RateBitS: 8.224e6, QueueBytes: 20_560}, Seed: 1})
		rtts := echo(t, l, 100, 1000, 0)
		f := l.AtoB().Flow[UDP]
		if f.Out+f.Tail != 100 {
			t.Fatalf("%+v is not 100 packets", f)
		}
		var most time.Duration
		for _, r := range rtts {
			most = max(most, r)
		}
		t.Logf("try %d: %d out, longest wait %v, link late at most %v", try, f.Out, most, l.AtoB().LateMax)
		if f.Out >= 20 && f.Out <= 30 && most >= 18*ms && most <= 23*ms {
			return
		}
		if try == 5 {
			t.Fatal("want about 20 packets out and a longest wait of about 20 ms")
		}
	}
}

func TestRateIsTheOneAskedForAndCounted(t *testing.T) {
	for name, w := range map[string]Way{
		"steady":    {RateBitS: 20e6, QueueBytes: 100_000, Delay: 5 * ms},
		"wandering": {RateBitS: 20e6, QueueBytes: 100_000, Delay: 5 * ms, WanderRatio: 0.2, WanderHold: 100 * ms},
	} {
		t.Run(name, func(t *testing.T) {
			l := New(t, Symmetric(w, 5))
			server, err := l.B.Listen(7001)
			if err != nil {
				t.Fatal(err)
			}
			accepted := make(chan net.Conn, 1)
			go func() {
				c, err := server.Accept()
				accepted <- c
				if err != nil {
					return
				}
				congestion(t, c)
				io.Copy(c, zeros{})
			}()
			defer func() {
				server.Close()
				if c := <-accepted; c != nil {
					c.Close() // the link may be gone before a peer can tell it
				}
			}()
			c, err := l.A.DialContext(t.Context(), "tcp", "10.77.0.2:7001")
			if err != nil {
				t.Fatal(err)
			}
			defer c.Close()
			go io.Copy(io.Discard, c)
			time.Sleep(time.Second) // slow start
			before, start := l.BtoA(), time.Now()
			time.Sleep(1500 * ms)
			after, took := l.BtoA(), time.Since(start)
			bits := 8 * float64(after.Bytes()-before.Bytes())
			could := after.CapacityBits - before.CapacityBits
			t.Logf("carried %.2f of %.2f Mbit/s in %v; late at most %v", bits/took.Seconds()/1e6, could/took.Seconds()/1e6, took, after.LateMax)
			if math.Abs(could/took.Seconds()-20e6) > 20e6*w.WanderRatio+1e4 {
				t.Errorf("capacity %v bit/s", could/took.Seconds())
			}
			if math.Abs(bits-could) > 0.03*could {
				t.Errorf("carried %v bits, could have carried %v", bits, could)
			}
			if after.Overrun != 0 {
				t.Errorf("overrun %d", after.Overrun)
			}
		})
	}
}

// congestion sets cubic, since the host's default may leave the queue empty.
func congestion(t *testing.T, c net.Conn) {
	raw, err := c.(*net.TCPConn).SyscallConn()
	if err == nil {
		err = raw.Control(func(fd uintptr) {
			if err := unix.SetsockoptString(int(fd), unix.IPPROTO_TCP, unix.TCP_CONGESTION, "cubic"); err != nil {
				t.Errorf("congestion control cubic: %v", err)
			}
		})
	}
	if err != nil {
		t.Error(err)
	}
}

type zeros struct{}

func (zeros) Read(p []byte) (int, error) { return len(p), nil }

func TestImpossibleLinksAreRefused(t *testing.T) {
	for name, w := range map[string]Way{
		"no queue":          {RateBitS: 1e6},
		"rate not a number": {RateBitS: math.NaN(), QueueBytes: 1},
		"more jitter":       {Delay: ms, Jitter: 2 * ms},
		"loss above one":    {LossRatio: 1.5},
		"wander, no hold":   {RateBitS: 1e6, QueueBytes: 1, WanderRatio: 0.1},
	} {
		if w.check() == nil {
			t.Errorf("%s: accepted", name)
		}
	}
	if err := (Way{RateBitS: 1e6, QueueBytes: 1500, Delay: ms, Jitter: ms}).check(); err != nil {
		t.Error(err)
	}
}
