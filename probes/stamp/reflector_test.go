package stamp

import (
	"context"
	"net"
	"net/netip"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const ms = time.Millisecond

var loopback = netip.MustParsePrefix("127.0.0.0/8")

func newReflector(t *testing.T, cfg ReflectorConfig) *Reflector {
	t.Helper()
	r, err := NewReflector(cfg)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// serve runs a reflector on loopback until the test ends.
func serve(t *testing.T, r *Reflector) string {
	t.Helper()
	conn, err := net.ListenUDP("udp", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- r.Serve(ctx, conn) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	return conn.LocalAddr().String()
}

func open(t *testing.T) *Reflector {
	return newReflector(t, ReflectorConfig{Allow: []netip.Prefix{loopback}})
}

func from(addr string, at time.Time, size int) datagram {
	return datagram{b: make([]byte, size), from: netip.MustParseAddrPort(addr), ttl: 63, at: at}
}

func TestReflectorAnswersByteForByte(t *testing.T) {
	r := open(t)
	now := time.Now()
	in := from("127.0.0.1:50000", now, 48)
	aRequest().put(in.b, nil)
	copy(in.b[44:], []byte{0x80, 2, 0, 0}) // an extension it does not know
	out := r.answer(in, 18620, clock{now})
	if len(out) != 48 {
		t.Fatalf("%d octets for 48", len(out))
	}
	got, err := parseReply(out, nil)
	if err != nil {
		t.Fatal(err)
	}
	want := aReply()
	want.seq, want.received, want.ttl, want.error = 0, ntp(now.UnixNano()), 63, ownError
	want.stamp = got.stamp
	if got != want {
		t.Errorf("got  %+v\nwant %+v", got, want)
	}
	if held := between(got.received, got.stamp, 0); held < 0 || held > time.Second {
		t.Errorf("held for %v", held)
	}
	if got.error&synchronised != 0 || got.error&truncatedPTP != 0 {
		t.Errorf("error estimate %#x claims a synchronised clock or another format", got.error)
	}
	if out[44] != 0x80 || out[45] != 2 {
		t.Errorf("extension %x", out[44:])
	}
}

func TestReflectorNumbersEachSessionByItself(t *testing.T) {
	r := open(t)
	now := time.Now()
	ask := func(addr string, ssid uint16, seq uint32, at time.Time) uint32 {
		in := from(addr, at, 44)
		request{seq: seq, ssid: ssid, error: ownError}.put(in.b, nil)
		out := r.answer(in, 18620, clock{now})
		if out == nil {
			t.Fatalf("no answer: %+v", r.Counts())
		}
		got, _ := parseReply(out, nil)
		if got.sender.seq != seq {
			t.Errorf("sender's number %d came back as %d", seq, got.sender.seq)
		}
		return got.seq
	}
	for i, c := range []struct {
		addr string
		ssid uint16
		seq  uint32
		want uint32
	}{
		{"127.0.0.1:50000", 1, 0, 0},
		{"127.0.0.1:50000", 1, 5, 1}, // 1 to 4 were lost: the answers count on
		{"127.0.0.1:50000", 2, 0, 0}, // another identifier
		{"127.0.0.1:50001", 1, 0, 0}, // another port
		{"127.0.0.1:50000", 1, 6, 2},
		{"127.0.0.1:50000", 1, 0, 3}, // starting anew does not reset it
	} {
		if got := ask(c.addr, c.ssid, c.seq, now); got != c.want {
			t.Errorf("packet %d: answer %d, want %d", i, got, c.want)
		}
	}
	if got := ask("127.0.0.1:50000", 1, 0, now.Add(DefaultIdle)); got != 0 {
		t.Errorf("after the idle time: answer %d, want 0", got)
	}
}

func TestReflectorDropsWhatItMust(t *testing.T) {
	now := time.Now()
	key := []byte("0123456789abcdef")
	for name, c := range map[string]struct {
		cfg   ReflectorConfig
		in    datagram
		count func(Counts) uint64
	}{
		"43 octets":                   {ReflectorConfig{Allow: []netip.Prefix{loopback}}, from("127.0.0.1:50000", now, 43), func(c Counts) uint64 { return c.Short }},
		"111 octets when sealed":      {ReflectorConfig{Key: key}, from("127.0.0.1:50000", now, 111), func(c Counts) uint64 { return c.Short }},
		"not on the list":             {ReflectorConfig{Allow: []netip.Prefix{loopback}}, from("192.0.2.1:50000", now, 44), func(c Counts) uint64 { return c.NotAllowed }},
		"key but not on the list":     {ReflectorConfig{Key: key, Allow: []netip.Prefix{loopback}}, from("192.0.2.1:50000", now, 112), func(c Counts) uint64 { return c.NotAllowed }},
		"without the key":             {ReflectorConfig{Key: key}, from("192.0.2.1:50000", now, 112), func(c Counts) uint64 { return c.NotAuthentic }},
		"from a reflector's port":     {ReflectorConfig{Allow: []netip.Prefix{loopback}}, from("127.0.0.1:18620", now, 44), func(c Counts) uint64 { return c.Looped }},
		"from the well-known port":    {ReflectorConfig{Allow: []netip.Prefix{loopback}}, from("127.0.0.1:862", now, 44), func(c Counts) uint64 { return c.Looped }},
		"mapped address, not allowed": {ReflectorConfig{Allow: []netip.Prefix{loopback}}, from("[::ffff:192.0.2.1]:50000", now, 44), func(c Counts) uint64 { return c.NotAllowed }},
	} {
		r := newReflector(t, c.cfg)
		if out := r.answer(c.in, 18620, clock{now}); out != nil {
			t.Errorf("%s: answered", name)
		}
		if c.count(r.Counts()) != 1 || r.Counts().Answered != 0 {
			t.Errorf("%s: %+v", name, r.Counts())
		}
	}
}

func TestReflectorLimitsEachSourceAndAll(t *testing.T) {
	r := newReflector(t, ReflectorConfig{Allow: []netip.Prefix{loopback}, PerSource: 10, InTotal: 15})
	now := time.Now()
	send := func(addr string, n int, at time.Time) (answered int) {
		for range n {
			if r.answer(from(addr, at, 44), 18620, clock{now}) != nil {
				answered++
			}
		}
		return answered
	}
	if got := send("127.0.0.1:50000", 40, now); got != 10 {
		t.Errorf("%d answers at once to one source, want 10", got)
	}
	if got := send("127.0.0.2:50000", 40, now); got != 5 {
		t.Errorf("%d answers to another, want the 5 left of the total", got)
	}
	if got := send("127.0.0.1:50001", 40, now.Add(time.Second)); got != 10 {
		t.Errorf("%d answers a second later from another port, want 10", got)
	}
}

func TestReflectorKeepsABoundedNumberOfSessionsAndSources(t *testing.T) {
	r := newReflector(t, ReflectorConfig{Allow: []netip.Prefix{netip.MustParsePrefix("10.0.0.0/8")}, Sessions: 4, InTotal: 1e6})
	now := time.Now()
	at := now
	for i := range 3 * mostSources {
		a := netip.AddrFrom4([4]byte{10, 0, byte(i >> 8), byte(i)})
		r.answer(datagram{b: make([]byte, 44), from: netip.AddrPortFrom(a, 50000), at: at}, 18620, clock{now})
	}
	if n, c := len(r.sessions.table), r.Counts(); n != 4 || c.Answered != 4 || c.NoRoom == 0 {
		t.Errorf("%d sessions, %+v", n, c)
	}
	if len(r.sources) > mostSources {
		t.Errorf("%d sources", len(r.sources))
	}
	at = now.Add(2 * DefaultIdle)
	if r.answer(datagram{b: make([]byte, 44), from: netip.MustParseAddrPort("10.9.9.9:50000"), at: at}, 18620, clock{now}) == nil {
		t.Errorf("no room after the idle time: %+v", r.Counts())
	}
}

func TestReflectorRefusesToAnswerAnybody(t *testing.T) {
	for name, c := range map[string]struct {
		cfg  ReflectorConfig
		want string
	}{
		"open without a list": {ReflectorConfig{}, "answer anybody"},
		"a short key":         {ReflectorConfig{Key: []byte("short")}, "5 octets"},
		"no sessions":         {ReflectorConfig{Allow: []netip.Prefix{loopback}, Sessions: -1}, "bound"},
	} {
		if _, err := NewReflector(c.cfg); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", name, err, c.want)
		}
	}
}

func FuzzReflectorNeverAnswersWithMore(f *testing.F) {
	f.Add([]byte("x"), uint16(50000))
	f.Add(make([]byte, 44), uint16(50000))
	f.Add(append(make([]byte, 44), 0x80, 1, 0, 1, 0xff, 0x80), uint16(50000))
	r, err := NewReflector(ReflectorConfig{Allow: []netip.Prefix{loopback}, PerSource: 1e9, InTotal: 1e9})
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, b []byte, port uint16) {
		size := len(b)
		out := r.answer(datagram{b: b, from: netip.AddrPortFrom(netip.AddrFrom4([4]byte{127, 0, 0, 1}), port), at: time.Now()}, 18620, newClock())
		if out != nil && (len(out) != size || size < baseOpen) {
			t.Errorf("%d octets answered with %d", size, len(out))
		}
	})
}
