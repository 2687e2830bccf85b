package stamp

import (
	"context"
	"errors"
	"net"
	"strings"
	"testing"
	"time"

	"candlemark/probes"
)

func newProber(t *testing.T, cfg Config) probes.Prober {
	t.Helper()
	cfg.Name, cfg.Section = "relay", probes.Hop
	p, err := NewProber(cfg)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestBurstOverLoopback(t *testing.T) {
	key := []byte("0123456789abcdef")
	for name, c := range map[string]struct {
		reflector *Reflector
		cfg       Config
		octets    int64
	}{
		"open":           {open(t), Config{}, 44},
		"sealed":         {newReflector(t, ReflectorConfig{Key: key}), Config{Key: key}, 112},
		"open, padded":   {open(t), Config{Padding: 100}, 144},
		"sealed, padded": {newReflector(t, ReflectorConfig{Key: key}), Config{Key: key, Padding: 3}, 115},
	} {
		cfg := c.cfg
		cfg.Address, cfg.Count, cfg.Interval = serve(t, c.reflector), 10, 2*ms
		r := newProber(t, cfg).Probe(t.Context())
		if r.Err != nil {
			t.Fatalf("%s: %v", name, r.Err)
		}
		s := r.Latency
		if s.Method != "stamp" || s.Sent != 10 || s.Lost != 0 || !s.RTTKnown || s.Median <= 0 || s.Median > 100*ms {
			t.Errorf("%s: %+v", name, *s)
		}
		if !s.Forth.LossKnown || s.Forth.Sent != 10 || s.Back.Lost != 0 || !s.Forth.VariationKnown || !s.Back.IPDVKnown {
			t.Errorf("%s: forth %+v, back %+v", name, *s.Forth, *s.Back)
		}
		if want := 20 * (c.octets + 28); r.Bytes != want {
			t.Errorf("%s: %d bytes, want %d", name, r.Bytes, want)
		}
		if counts := c.reflector.Counts(); counts.Answered != 10 {
			t.Errorf("%s: %+v", name, counts)
		}
	}
}

// answering is a peer that does with each packet what answer says.
func answering(t *testing.T, answer func(n int, in []byte) [][]byte) string {
	t.Helper()
	conn, err := net.ListenUDP("udp", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		b := make([]byte, 2048)
		for n := 0; ; n++ {
			k, from, err := conn.ReadFromUDPAddrPort(b)
			if err != nil {
				return
			}
			for _, out := range answer(n, b[:k]) {
				conn.WriteToUDPAddrPort(out, from)
			}
		}
	}()
	t.Cleanup(func() { conn.Close(); <-done })
	return conn.LocalAddr().String()
}

// stateless answers as RFC 8762 section 4.2 lets a simple peer do, without the SSID.
func stateless(in []byte) []byte {
	req, err := parseRequest(in, nil)
	if err != nil {
		return nil
	}
	out := make([]byte, len(in))
	now := newClock()
	reply{seq: req.seq, stamp: now.ntp(now.base), received: now.ntp(now.base), error: ownError, sender: req, ttl: 64}.put(out, nil)
	return out
}

func TestPeersThatAreNotOurs(t *testing.T) {
	for name, c := range map[string]struct {
		answer    func(n int, in []byte) [][]byte
		lost      int
		direction bool // known
	}{
		"stateless, no extensions": {func(_ int, in []byte) [][]byte { return [][]byte{stateless(in)} }, 0, true},
		"stateless, loses the second": {func(n int, in []byte) [][]byte {
			if n == 1 {
				return nil
			}
			return [][]byte{stateless(in)}
		}, 1, false},
		"answers everything twice": {func(_ int, in []byte) [][]byte { return [][]byte{stateless(in), stateless(in)} }, 0, true},
		"answers too late": {func(n int, in []byte) [][]byte {
			if n == 1 {
				time.Sleep(150 * ms) // the next ones wait with it
			}
			return [][]byte{stateless(in)}
		}, 4, false},
		"silent":              {func(int, []byte) [][]byte { return nil }, 5, false},
		"sends requests back": {func(_ int, in []byte) [][]byte { return [][]byte{in} }, 5, false},
		"sends rubbish":       {func(int, []byte) [][]byte { return [][]byte{{1, 2, 3}, make([]byte, 44), make([]byte, 1400)} }, 5, false},
		"forges without having seen": {func(n int, in []byte) [][]byte {
			out := stateless(in)
			out[31] ^= 1 // the sender's timestamp
			return [][]byte{out}
		}, 5, false},
	} {
		p := newProber(t, Config{Address: answering(t, c.answer), Count: 5, Interval: 2 * ms, Timeout: 100 * ms})
		start := time.Now()
		r := p.Probe(t.Context())
		if r.Err != nil {
			t.Errorf("%s: %v", name, r.Err)
			continue
		}
		s := r.Latency
		if s.Sent != 5 || s.Lost != c.lost || s.Forth.LossKnown != c.direction || s.Back.LossKnown != c.direction {
			t.Errorf("%s: %+v, forth %+v, back %+v", name, *s, *s.Forth, *s.Back)
		}
		if s.RTTKnown != (c.lost < 5) {
			t.Errorf("%s: round trip known %v", name, s.RTTKnown)
		}
		if took := time.Since(start); took > 2*time.Second {
			t.Errorf("%s: took %v", name, took)
		}
	}
}

func TestAClosedPortIsLossWithItsCause(t *testing.T) {
	conn, err := net.ListenUDP("udp", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	if err != nil {
		t.Fatal(err)
	}
	addr := conn.LocalAddr().String()
	conn.Close()
	r := newProber(t, Config{Address: addr, Count: 3, Interval: 5 * ms, Timeout: 50 * ms}).Probe(t.Context())
	if r.Err != nil || r.Latency.Lost != 3 || !strings.Contains(r.Latency.LossCause, "refused") {
		t.Errorf("%+v, %v", r.Latency, r.Err)
	}
	if answered, known := r.Answered(); answered || !known {
		t.Errorf("answered %v, known %v", answered, known)
	}
}

func TestNoRouteIsAnOutageAndAWantOfSocketsIsNot(t *testing.T) {
	dial := func(err error) Dial {
		return func(context.Context, string, string) (net.Conn, error) { return nil, err }
	}
	r := newProber(t, Config{Address: "192.0.2.1", Count: 3, Dial: dial(&net.OpError{Op: "dial", Err: errNetUnreachable})}).Probe(t.Context())
	if r.Err != nil || r.Latency.Lost != 3 || r.Latency.LossCause == "" {
		t.Errorf("no route: %+v, %v", r.Latency, r.Err)
	}
	r = newProber(t, Config{Address: "192.0.2.1", Dial: dial(errTooManyFiles)}).Probe(t.Context())
	if r.Err == nil || r.Latency != nil {
		t.Errorf("no socket: %+v, %v", r.Latency, r.Err)
	}
}

func TestAnInterruptedProbeEndsAtOnceAndMeasuresNothing(t *testing.T) {
	addr := answering(t, func(int, []byte) [][]byte { return nil })
	ctx, cancel := context.WithCancelCause(t.Context())
	time.AfterFunc(30*ms, func() { cancel(errors.New("shift change")) })
	start := time.Now()
	r := newProber(t, Config{Address: addr, Count: 1000, Interval: 20 * ms}).Probe(ctx)
	if r.Err == nil || !strings.Contains(r.Err.Error(), "shift change") || r.Latency != nil {
		t.Errorf("%+v, %v", r.Latency, r.Err)
	}
	if took := time.Since(start); took > 500*ms {
		t.Errorf("took %v", took)
	}
	if r.Bytes == 0 {
		t.Error("its cost is not told")
	}
}

func TestConfigIsChecked(t *testing.T) {
	good := Config{Name: "x", Section: probes.Hop, Address: "192.0.2.1"}
	if _, err := NewProber(good); err != nil {
		t.Error(err)
	}
	for name, spoil := range map[string]func(*Config){
		"no name":           func(c *Config) { c.Name = "" },
		"no section":        func(c *Config) { c.Section = "" },
		"no host":           func(c *Config) { c.Address = ":862" },
		"port 0":            func(c *Config) { c.Address = "host:0" },
		"a URL":             func(c *Config) { c.Address = "http://host/" },
		"too many":          func(c *Config) { c.Count = MaxCount + 1 },
		"too fast":          func(c *Config) { c.Interval = time.Microsecond },
		"waits too long":    func(c *Config) { c.Timeout = time.Hour },
		"too much padding":  func(c *Config) { c.Padding = 9000 },
		"negative padding":  func(c *Config) { c.Padding = -1 },
		"key that is short": func(c *Config) { c.Key = []byte("x") },
	} {
		cfg := good
		spoil(&cfg)
		if _, err := NewProber(cfg); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
	for address, want := range map[string]string{"host": "host 18620", "host:862": "host 862", "::1": "::1 18620", "[::1]:862": "::1 862", "192.0.2.1": "192.0.2.1 18620"} {
		host, port, err := splitAddress(address)
		if got := host + " " + itoa(port); err != nil || got != want {
			t.Errorf("%s: %s, %v", address, got, err)
		}
	}
}

// An interruption between the socket and the first packet finds nothing sent.
func TestAnInterruptionBeforeTheFirstPacket(t *testing.T) {
	for range 50 { // the first packet may win
		ctx, cancel := context.WithCancelCause(t.Context())
		p, err := NewProber(Config{Name: "near", Section: probes.Hop, Address: "127.0.0.1:9", Dial: func(ctx context.Context, network, address string) (net.Conn, error) {
			conn, err := new(net.Dialer).DialContext(ctx, network, address)
			cancel(errors.New("shift change"))
			return conn, err
		}})
		if err != nil {
			t.Fatal(err)
		}
		if r := p.Probe(ctx); r.Latency != nil || r.Err == nil || !strings.Contains(r.Err.Error(), "interrupted: shift change") {
			t.Fatalf("%+v, %v", r.Latency, r.Err)
		}
	}
}
