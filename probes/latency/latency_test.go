package latency

import (
	"context"
	"errors"
	"net"
	"net/netip"
	"os"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"

	"candlemark/probes"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func tcpProber(t *testing.T, cfg Config) *prober {
	t.Helper()
	cfg.Name, cfg.Section, cfg.Method = "relay", probes.Hop, MethodTCP
	p, err := newProber(cfg)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

type noConn struct{ net.Conn }

func (noConn) Close() error { return nil }

// answerAfter is a dialer to a target that answers attempt i after delays[i]; a
// negative delay never answers.
func answerAfter(delays ...time.Duration) func(context.Context, string, string) (net.Conn, error) {
	next := make(chan time.Duration, len(delays))
	for _, d := range delays {
		next <- d
	}
	return func(ctx context.Context, _, _ string) (net.Conn, error) {
		d := <-next
		if d < 0 {
			d = time.Hour
		}
		select {
		case <-time.After(d):
			return noConn{}, nil
		case <-ctx.Done():
			return nil, &net.OpError{Op: "dial", Net: "tcp", Err: ctx.Err()}
		}
	}
}

func TestTCPBurstIsPacedAndBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := tcpProber(t, Config{Address: "192.0.2.1", Count: 4, Interval: 200 * ms, Timeout: 900 * ms})
		p.dial = answerAfter(40*ms, -1, 60*ms, -1)
		r := p.Probe(t.Context())
		if r.Err != nil {
			t.Fatal(r.Err)
		}
		s := r.Latency
		if s.Method != MethodTCP || s.Sent != 4 || s.Lost != 2 || s.Min != 40*ms || s.Median != 50*ms || s.P95 != 60*ms {
			t.Errorf("stats %+v", *s)
		}
		if s.LossCause != "" || s.Timeout != 900*ms {
			t.Errorf("cause %q, time-out %v", s.LossCause, s.Timeout)
		}
		// The last attempt starts at 3 x 200 ms and is waited for 900 ms.
		if r.Elapsed != 1500*ms {
			t.Errorf("took %v, want 1.5s", r.Elapsed)
		}
		if want := int64(2*bytesConnected + 2*bytesSYN); r.Bytes != want {
			t.Errorf("%d bytes, want %d", r.Bytes, want)
		}
		if answered, known := r.Answered(); !answered || !known {
			t.Errorf("answered %v, known %v", answered, known)
		}
	})
}

func TestTCPAnswerAfterTheTimeoutIsALoss(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := tcpProber(t, Config{Address: "192.0.2.1", Count: 1, Timeout: 500 * ms})
		p.dial = func(context.Context, string, string) (net.Conn, error) {
			time.Sleep(501 * ms) // a dialer that is late to notice its context
			return noConn{}, nil
		}
		r := p.Probe(t.Context())
		if r.Err != nil || r.Latency.Lost != 1 || r.Latency.RTTKnown {
			t.Errorf("result %+v, stats %+v", r, r.Latency)
		}
	})
}

func TestTCPInterruptedBurstIsNoLoss(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := tcpProber(t, Config{Address: "192.0.2.1", Count: 10, Interval: 200 * ms, Timeout: 900 * ms})
		p.dial = answerAfter(-1, -1, -1, -1, -1, -1, -1, -1, -1, -1)
		ctx, cancel := context.WithTimeout(t.Context(), 500*ms)
		defer cancel()
		r := p.Probe(ctx)
		if r.Latency != nil || !errors.Is(r.Err, context.DeadlineExceeded) || !strings.Contains(r.Err.Error(), "interrupted") {
			t.Errorf("stats %v, error %v", r.Latency, r.Err)
		}
		if r.Elapsed != 500*ms {
			t.Errorf("took %v, want 500ms", r.Elapsed)
		}
		if _, known := r.Answered(); known {
			t.Error("an interrupted probe says something about the link")
		}
	})
}

func TestTCPEndsOfAConnect(t *testing.T) {
	refuse := func(errno syscall.Errno) error {
		return &net.OpError{Op: "dial", Net: "tcp", Err: os.NewSyscallError("connect", errno)}
	}
	for _, c := range []struct {
		name     string
		err      error
		lost     int
		cause    string
		measured bool
	}{
		{"connected", nil, 0, "", true},
		{"refused is a reply", refuse(syscall.ECONNREFUSED), 0, "", true},
		{"no route is a loss with its cause", refuse(syscall.ENETUNREACH), 3, "connect: network is unreachable", true},
		{"host unreachable is a loss with its cause", refuse(syscall.EHOSTUNREACH), 3, "connect: no route to host", true},
		{"a local firewall is a loss with its cause", refuse(syscall.EPERM), 3, "connect: operation not permitted", true},
		{"the kernel's own time-out is a loss", refuse(syscall.ETIMEDOUT), 3, "", true},
		{"out of descriptors measures nothing", refuse(syscall.EMFILE), 0, "", false},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				p := tcpProber(t, Config{Address: "192.0.2.1", Count: 3, Interval: 10 * ms})
				p.dial = func(context.Context, string, string) (net.Conn, error) {
					if c.err != nil {
						return nil, c.err
					}
					return noConn{}, nil
				}
				r := p.Probe(t.Context())
				if (r.Err == nil) != c.measured {
					t.Fatalf("error %v, measured should be %v", r.Err, c.measured)
				}
				if !c.measured {
					return
				}
				if r.Latency.Sent != 3 || r.Latency.Lost != c.lost || r.Latency.LossCause != c.cause {
					t.Errorf("stats %+v", *r.Latency)
				}
			})
		})
	}
}

func TestNameThatDoesNotResolve(t *testing.T) {
	p := tcpProber(t, Config{Address: "relay.invalid"})
	p.resolve = func(context.Context, string) ([]netip.Addr, error) {
		return nil, &net.DNSError{Err: "no such host", Name: "relay.invalid", IsNotFound: true}
	}
	r := p.Probe(t.Context())
	if !errors.Is(r.Err, probes.ErrNoName) || r.Latency != nil {
		t.Fatalf("stats %v, error %v", r.Latency, r.Err)
	}
	if want := "latency relay (relay.invalid): name not resolved: lookup relay.invalid: no such host"; r.Err.Error() != want {
		t.Errorf("error %q, want %q", r.Err, want)
	}
	if answered, known := r.Answered(); answered || !known {
		t.Errorf("answered %v known %v: an outage would go unnoticed", answered, known)
	}
}

func TestSlowNameServerIsBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := tcpProber(t, Config{Address: "relay.invalid"})
		p.resolve = func(ctx context.Context, _ string) ([]netip.Addr, error) {
			<-ctx.Done()
			return nil, ctx.Err()
		}
		if r := p.Probe(t.Context()); !errors.Is(r.Err, probes.ErrNoName) || r.Elapsed != lookupTimeout {
			t.Errorf("after %v: %v", r.Elapsed, r.Err)
		}
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		if r := p.Probe(ctx); errors.Is(r.Err, probes.ErrNoName) || r.Elapsed != time.Second {
			t.Errorf("interrupted after %v: %v", r.Elapsed, r.Err)
		}
	})
}

func TestAutoTakesTCPOnlyWhereICMPIsNotPermitted(t *testing.T) {
	denied := func(_ context.Context, _ Config, _ netip.Addr, privileged bool) (burst, error) {
		return burst{}, errors.Join(errNoSocket, errors.New("socket: permission denied"))
	}
	rawOnly := func(ctx context.Context, cfg Config, a netip.Addr, privileged bool) (burst, error) {
		if !privileged {
			return denied(ctx, cfg, a, privileged)
		}
		return burst{outcomes: burstOf(10)}, nil
	}
	allLost := func(_ context.Context, cfg Config, _ netip.Addr, privileged bool) (burst, error) {
		return burst{outcomes: make([]Outcome, cfg.Count)}, nil
	}
	for _, c := range []struct {
		name, configured, used string
		echo                   func(context.Context, Config, netip.Addr, bool) (burst, error)
	}{
		{"neither socket", MethodAuto, MethodTCP, denied},
		{"raw socket only", MethodAuto, MethodICMP, rawOnly},
		{"no answer is no reason to change", MethodAuto, MethodICMP, allLost},
		{"ICMP insisted on", MethodICMP, "", denied},
	} {
		t.Run(c.name, func(t *testing.T) {
			p, err := newProber(Config{Name: "n", Section: probes.Uplink, Address: "192.0.2.1", Method: c.configured, Count: 1})
			if err != nil {
				t.Fatal(err)
			}
			p.dial = func(context.Context, string, string) (net.Conn, error) { return noConn{}, nil }
			p.echo = c.echo
			r := p.Probe(t.Context())
			if c.used == "" {
				if r.Err == nil || !strings.Contains(r.Err.Error(), "permission denied") {
					t.Errorf("error %v", r.Err)
				}
				return
			}
			if r.Err != nil || r.Latency.Method != c.used {
				t.Errorf("error %v, stats %+v", r.Err, r.Latency)
			}
		})
	}
}

func TestTCPAgainstLoopback(t *testing.T) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	open := listener.Addr().String()
	closedListener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	closed := closedListener.Addr().String()
	if err := closedListener.Close(); err != nil {
		t.Fatal(err)
	}
	defer listener.Close()
	for name, address := range map[string]string{"listening": open, "refusing": closed} {
		t.Run(name, func(t *testing.T) {
			p := tcpProber(t, Config{Address: address, Count: 5, Interval: 10 * ms})
			r := p.Probe(t.Context())
			if r.Err != nil {
				t.Fatal(r.Err)
			}
			if r.Latency.Lost != 0 || len(r.Latency.RTTs) != 5 || r.Latency.Min <= 0 {
				t.Errorf("stats %+v", *r.Latency)
			}
		})
	}
}

// A listener whose backlog is full drops the SYN: the real form of a black hole
// that needs no traffic off this host.
func TestTCPFullBacklogIsLoss(t *testing.T) {
	fd, err := syscall.Socket(syscall.AF_INET, syscall.SOCK_STREAM, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer syscall.Close(fd)
	if err := syscall.Bind(fd, &syscall.SockaddrInet4{Addr: [4]byte{127, 0, 0, 1}}); err != nil {
		t.Fatal(err)
	}
	if err := syscall.Listen(fd, 0); err != nil {
		t.Fatal(err)
	}
	name, err := syscall.Getsockname(fd)
	if err != nil {
		t.Fatal(err)
	}
	address := netip.AddrPortFrom(netip.MustParseAddr("127.0.0.1"), uint16(name.(*syscall.SockaddrInet4).Port)).String()
	filler, err := net.Dial("tcp", address) // never accepted
	if err != nil {
		t.Fatal(err)
	}
	defer filler.Close()

	p := tcpProber(t, Config{Address: address, Count: 3, Interval: 10 * ms, Timeout: 150 * ms})
	r := p.Probe(t.Context())
	if r.Err != nil || r.Latency.Lost != 3 || r.Latency.RTTKnown {
		t.Errorf("error %v, stats %+v", r.Err, r.Latency)
	}
	if r.Elapsed > time.Second {
		t.Errorf("took %v, want about 0.17 s", r.Elapsed)
	}
}

func TestConfigurationFaults(t *testing.T) {
	good := Config{Name: "n", Section: probes.Hop, Address: "192.0.2.1"}
	if _, err := New(good); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		change func(*Config)
		word   string
	}{
		"no name":                   {func(c *Config) { c.Name = "" }, "name"},
		"section":                   {func(c *Config) { c.Section = "sky" }, "section"},
		"method":                    {func(c *Config) { c.Method = "udp" }, "method"},
		"TCP time-out at SYN retry": {func(c *Config) { c.Timeout = time.Second }, "SYN"},
		"negative time-out":         {func(c *Config) { c.Timeout = -1 }, "timeout"},
		"interval too short":        {func(c *Config) { c.Interval = time.Millisecond }, "interval"},
		"too many":                  {func(c *Config) { c.Count = MaxCount + 1 }, "count"},
		"no address":                {func(c *Config) { c.Address = "" }, "host name"},
		"URL for address":           {func(c *Config) { c.Address = "http://192.0.2.1/" }, "not a number"},
		"port out of range":         {func(c *Config) { c.Address = "192.0.2.1:70000" }, "port"},
		"port not a number":         {func(c *Config) { c.Address = "192.0.2.1:http" }, "port"},
		"many hosts":                {func(c *Config) { c.Address = "255.255.255.255" }, "one host"},
		"multicast":                 {func(c *Config) { c.Address = "ff02::1" }, "one host"},
	} {
		t.Run(name, func(t *testing.T) {
			cfg := good
			c.change(&cfg)
			if _, err := New(cfg); err == nil || !strings.Contains(err.Error(), c.word) {
				t.Errorf("error %v does not mention %q", err, c.word)
			}
		})
	}
	slow := good
	slow.Method, slow.Timeout = MethodICMP, 3*time.Second
	if _, err := New(slow); err != nil {
		t.Errorf("ICMP may wait longer than a SYN: %v", err)
	}
}

func TestAddressForms(t *testing.T) {
	for address, want := range map[string]struct {
		host string
		port uint16
	}{
		"192.0.2.1":          {"192.0.2.1", 443},
		"192.0.2.1:80":       {"192.0.2.1", 80},
		"2001:db8::1":        {"2001:db8::1", 443},
		"[2001:db8::1]:8080": {"2001:db8::1", 8080},
		"fe80::1%eth0":       {"fe80::1%eth0", 443},
		"relay.example":      {"relay.example", 443},
		"relay.example:22":   {"relay.example", 22},
	} {
		host, port, err := splitAddress(address, 443)
		if err != nil || host != want.host || port != want.port {
			t.Errorf("%q is %q port %d (%v), want %q port %d", address, host, port, err, want.host, want.port)
		}
	}
}

func FuzzSplitAddress(f *testing.F) {
	for _, s := range []string{"relay.example:22", "[::1]:80", "::1", "a:b:c", "", "%", "[::1%]:1"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, address string) {
		host, port, err := splitAddress(address, 443)
		if err == nil && (host == "" || port == 0) {
			t.Errorf("%q accepted as host %q port %d", address, host, port)
		}
	})
}
