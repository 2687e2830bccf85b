package reflector

import (
	"context"
	"net"
	"net/http"
	"net/netip"
	"testing"
	"time"

	"go.uber.org/goleak"

	"candlemark/probes"
	"candlemark/probes/stamp"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const (
	ms        = time.Millisecond
	testToken = "0123456789abcdef"
)

func testServer(cfg ServerConfig) ServerConfig {
	if cfg.Token == "" {
		cfg.Token = testToken
	}
	if cfg.STAMP.Allow == nil {
		cfg.STAMP.Allow = []netip.Prefix{netip.MustParsePrefix("127.0.0.0/8"), netip.MustParsePrefix("10.77.0.0/24")}
	}
	return cfg
}

// serve runs a reflector on loopback until the test ends.
func serve(t *testing.T, cfg ServerConfig) (s *Server, web, packets string) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	u, err := net.ListenUDP("udp", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	if err != nil {
		t.Fatal(err)
	}
	s = serveOn(t, cfg, l, u)
	scheme := "http://"
	if cfg.TLS != nil {
		scheme = "https://"
	}
	return s, scheme + l.Addr().String(), u.LocalAddr().String()
}

func serveOn(t *testing.T, cfg ServerConfig, l net.Listener, u *net.UDPConn) *Server {
	t.Helper()
	s, err := NewServer(testServer(cfg))
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error)
	go func() { done <- s.Serve(ctx, l, u) }()
	t.Cleanup(func() {
		begun := time.Now()
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
		if took := time.Since(begun); took > 2*time.Second {
			t.Errorf("the reflector took %v to stop", took)
		}
	})
	return s
}

func probe(t *testing.T, cfg Config) probes.Result {
	t.Helper()
	cfg.Name, cfg.Section = "near", probes.Hop
	if cfg.Token == "" && cfg.Reflector != "" {
		cfg.Token = testToken
	}
	p, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	return p.Probe(t.Context())
}

func ask(t *testing.T, method, url, token string) *http.Response {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), method, url, nil)
	if err != nil {
		t.Fatal(err)
	}
	if token != "" {
		req.Header.Set("Authorization", "Bearer "+token)
	}
	tr := &http.Transport{DisableKeepAlives: true}
	t.Cleanup(tr.CloseIdleConnections)
	resp, err := tr.RoundTrip(req)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { resp.Body.Close() })
	return resp
}

func stampTo(addr string) stamp.Config {
	return stamp.Config{Address: addr, Count: 20, Interval: 5 * ms}
}
