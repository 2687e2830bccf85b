package stamp

import (
	"context"
	"net/netip"
	"testing"
	"time"

	"candlemark/probes/probetest/emulink"
)

// Against the link's own counters: the loss of each direction to the packet, and
// the median round trip within 1 ms and 1 %.
func TestAgainstAnEmulatedLink(t *testing.T) {
	forth := emulink.Way{Delay: 20 * ms, Jitter: 5 * ms, LossRatio: 0.05}
	back := emulink.Way{Delay: 30 * ms, Jitter: ms, LossRatio: 0.02}
	for try := 1; ; try++ {
		l := emulink.New(t, emulink.Params{AtoB: forth, BtoA: back, Seed: uint64(41 + try)})
		conn, err := l.B.ListenUDP(DefaultPort)
		if err != nil {
			t.Fatal(err)
		}
		ref := newReflector(t, ReflectorConfig{Allow: []netip.Prefix{netip.MustParsePrefix("10.77.0.0/24")}})
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- ref.Serve(ctx, conn) }()
		r := newProber(t, Config{Address: l.B.Addr.String(), Count: 400, Interval: 11 * ms, Timeout: 500 * ms, Dial: l.A.DialContext}).Probe(t.Context())
		ab, ba := l.AtoB().Flow[emulink.UDP], l.BtoA().Flow[emulink.UDP]
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
		if r.Err != nil {
			t.Fatal(r.Err)
		}
		s := r.Latency
		t.Logf("try %d: median %v; forth %+v, link %+v; back %+v, link %+v", try, s.Median, *s.Forth, ab, *s.Back, ba)
		// The link counts the closing packets too, which are no part of the burst.
		extra := int(ab.In) - s.Sent
		if !s.Forth.LossKnown || extra > 1 {
			if try == 3 {
				t.Fatal("the closing packet was lost three times in a row")
			}
			continue // 7 % of the time
		}
		if s.Forth.Lost != int(ab.Lost) || s.Back.Lost != int(ba.Lost) || s.Forth.Sent != 400 || s.Back.Sent != int(ba.In)-extra {
			t.Error("loss by direction is not the link's own")
		}
		if d := (s.Median - 50*ms).Abs(); d > ms+500*time.Microsecond {
			if try < 3 && l.AtoB().LateOver1ms+l.BtoA().LateOver1ms > 0 {
				continue // the machine held the link up
			}
			t.Errorf("median %v is %v off 50 ms", s.Median, d)
		}
		// Jitter is drawn evenly from ±5 and ±1 ms every 10 ms: E|difference| of two
		// such is 2/3 of the half-width, 3.3 and 0.7 ms.
		if s.Forth.IPDVMeanAbs < 2500*time.Microsecond || s.Forth.IPDVMeanAbs > 4500*time.Microsecond || s.Back.IPDVMeanAbs > 1500*time.Microsecond {
			t.Errorf("delay variation forth %v, back %v", s.Forth.IPDVMeanAbs, s.Back.IPDVMeanAbs)
		}
		return
	}
}
