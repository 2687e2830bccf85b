package service

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"runtime"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"candlemark/probes"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func probe(t *testing.T, cfg Config) probes.Result {
	t.Helper()
	cfg.Name, cfg.Section = "records", probes.Uplink
	p, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	return p.Probe(t.Context())
}

func TestPage(t *testing.T) {
	mux := http.NewServeMux()
	mux.HandleFunc("/ok", func(w http.ResponseWriter, _ *http.Request) { fmt.Fprint(w, "<h1>Shelter records</h1>") })
	mux.HandleFunc("/busy", func(w http.ResponseWriter, _ *http.Request) {
		http.Error(w, "Shelter records", http.StatusServiceUnavailable)
	})
	mux.Handle("/near", http.RedirectHandler("/ok", http.StatusFound))
	mux.Handle("/loop", http.RedirectHandler("/loop", http.StatusFound))
	mux.Handle("/portal", http.RedirectHandler("http://portal.invalid/sign-in", http.StatusFound))
	mux.HandleFunc("/huge", func(w http.ResponseWriter, _ *http.Request) {
		for range 1000 {
			if _, err := w.Write(make([]byte, 10_000)); err != nil {
				return
			}
		}
	})
	mux.HandleFunc("/cut", func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Length", "1000")
		fmt.Fprint(w, "short")
	})
	srv := httptest.NewServer(mux)
	defer srv.Close()
	for name, c := range map[string]struct {
		path, marker string
		status       int
		works        bool
		problem      string
	}{
		"the page with its marker":           {"/ok", "Shelter records", 0, true, ""},
		"without a marker":                   {"/ok", "", 0, true, ""},
		"another page than asked for":        {"/ok", "Timetable", 0, false, "lacks its marker"},
		"an error page, marker or not":       {"/busy", "Shelter", 0, false, "answered 503"},
		"an error that is asked for":         {"/busy", "", 503, true, ""},
		"sent on within the host":            {"/near", "Shelter", 0, true, ""},
		"sent to a sign-in page":             {"/portal", "", 0, false, "another host"},
		"sent round in a circle":             {"/loop", "", 0, false, "redirects"},
		"a page that breaks off":             {"/cut", "", 0, false, "read the page after 5 bytes"},
		"a page that is not there":           {"/nothing", "", 0, false, "answered 404"},
		"a page far too long for the marker": {"/huge", "end", 0, false, "lacks its marker"},
	} {
		t.Run(name, func(t *testing.T) {
			r := probe(t, Config{Check: CheckPage, Address: srv.URL + c.path, Marker: c.marker, Status: c.status})
			s := r.Service
			if r.Err != nil || s == nil {
				t.Fatalf("not measured: %v", r.Err)
			}
			if s.Works != c.works || !strings.Contains(s.Problem, c.problem) || (s.Problem == "") != c.works {
				t.Errorf("works %v, problem %q", s.Works, s.Problem)
			}
			if !s.Reached || !s.ConnectKnown || s.ResolveKnown || s.TLSKnown {
				t.Errorf("steps of the way: %+v", s)
			}
			if s.BodyBytes > DefaultMaxBytes || r.Bytes > 2*DefaultMaxBytes {
				t.Errorf("read %d bytes of the body, %d in all", s.BodyBytes, r.Bytes)
			}
			if r.Bytes < synBytes+s.BodyBytes {
				t.Errorf("%d bytes are fewer than what was read", r.Bytes)
			}
		})
	}
}

func TestPageOverTLSChecksTheCertificate(t *testing.T) {
	srv := httptest.NewTLSServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { fmt.Fprint(w, "in") }))
	srv.Config.ErrorLog = nil
	defer srv.Close()
	p, err := newProber(Config{Name: "records", Check: CheckPage, Address: srv.URL})
	if err != nil {
		t.Fatal(err)
	}
	if s := p.Probe(t.Context()).Service; s == nil || s.Works || !strings.Contains(s.Problem, "certificate") {
		t.Errorf("an unknown certificate passed: %+v", s)
	}
	pool := x509.NewCertPool()
	pool.AddCert(srv.Certificate())
	p.roots = func(tr *http.Transport) { tr.TLSClientConfig = &tls.Config{RootCAs: pool} }
	if s := p.Probe(t.Context()).Service; s == nil || !s.Works || !s.TLSKnown || s.TLS <= 0 {
		t.Errorf("a known certificate: %+v", s)
	}
}

func TestPort(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	open := l.Addr().String()
	if s := probe(t, Config{Check: CheckPort, Address: open}).Service; s == nil || !s.Works || !s.Reached {
		t.Errorf("an open port: %+v", s)
	}
	l.Close()
	r := probe(t, Config{Check: CheckPort, Address: open})
	if s := r.Service; s == nil || s.Works || !s.Reached || !strings.Contains(s.Problem, "refused") {
		t.Errorf("a closed port: %+v", s)
	}
	if answered, known := r.Answered(); !answered || !known {
		t.Error("a refusal is an answer of the far side")
	}
}

func TestName(t *testing.T) {
	for name, c := range map[string]struct {
		addrs []netip.Addr
		err   error
		works bool
	}{
		"resolves":      {[]netip.Addr{netip.MustParseAddr("192.0.2.7")}, nil, true},
		"does not":      {nil, &net.DNSError{Err: "no such host", Name: "records.invalid", IsNotFound: true}, false},
		"empty answer":  {nil, nil, false},
		"server broken": {nil, &net.DNSError{Err: "server misbehaving", IsTemporary: true}, false},
	} {
		p, err := newProber(Config{Name: "records", Check: CheckName, Address: "records.invalid"})
		if err != nil {
			t.Fatal(err)
		}
		p.resolve = func(context.Context, string) ([]netip.Addr, error) { return c.addrs, c.err }
		s := p.Probe(t.Context()).Service
		if s == nil || s.Works != c.works || s.ResolveKnown != c.works || s.Reached != c.works {
			t.Errorf("%s: %+v", name, s)
		}
	}
}

func TestTheNextAddressIsTriedWhenOneIsDead(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	_, port, _ := net.SplitHostPort(l.Addr().String())
	p, err := newProber(Config{Name: "records", Check: CheckPort, Address: net.JoinHostPort("records.invalid", port), Deadline: 400 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	p.resolve = func(context.Context, string) ([]netip.Addr, error) {
		return []netip.Addr{netip.MustParseAddr("192.0.2.1"), netip.MustParseAddr("127.0.0.1")}, nil
	}
	real := p.dial
	p.dial = func(ctx context.Context, network, address string) (net.Conn, error) {
		if strings.HasPrefix(address, "192.0.2.1") { // silent, and not really sent to
			<-ctx.Done()
			return nil, ctx.Err()
		}
		return real(ctx, network, address)
	}
	if s := p.Probe(t.Context()).Service; s == nil || !s.Works {
		t.Errorf("the second address was not reached: %+v", s)
	}
}

// A server that hangs, or drips a byte at a time for ever, must not hold the
// probe past its deadline, and an operator's break must end it at once.
func TestBoundedInTime(t *testing.T) {
	release := make(chan struct{})
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/drip" {
			for {
				fmt.Fprint(w, ".")
				if err := http.NewResponseController(w).Flush(); err != nil {
					return
				}
				select {
				case <-release:
					return
				case <-r.Context().Done():
					return
				case <-time.After(10 * time.Millisecond):
				}
			}
		}
		select {
		case <-release:
		case <-r.Context().Done():
		}
	}))
	defer srv.Close()
	defer close(release)
	for _, path := range []string{"/hang", "/drip"} {
		start := time.Now()
		r := probe(t, Config{Check: CheckPage, Address: srv.URL + path, Marker: "never", Deadline: 200 * time.Millisecond})
		if took := time.Since(start); took > 2*time.Second {
			t.Errorf("%s: took %v", path, took)
		}
		if s := r.Service; s == nil || s.Works || !s.Reached || !strings.Contains(s.Problem, "not done within 200ms") {
			t.Errorf("%s: %+v, %v", path, s, r.Err)
		}
	}
	why := errors.New("operator broke off")
	ctx, cancel := context.WithCancelCause(t.Context())
	time.AfterFunc(50*time.Millisecond, func() { cancel(why) })
	p, err := New(Config{Name: "records", Check: CheckPage, Address: srv.URL + "/hang"})
	if err != nil {
		t.Fatal(err)
	}
	if r := p.Probe(ctx); !errors.Is(r.Err, why) || r.Service != nil {
		t.Errorf("interrupted: %v, %+v", r.Err, r.Service)
	}
}

// A dial may succeed a moment too late. What was given away then stays as it was: no
// step appears in it, and nobody writes to it while others read.
func TestAResultStaysAsItWasGiven(t *testing.T) {
	p, err := newProber(Config{Name: "records", Check: CheckPage, Address: "http://127.0.0.1:9/", Deadline: MinDeadline})
	if err != nil {
		t.Fatal(err)
	}
	given, dialled := make(chan struct{}), make(chan struct{})
	p.dial = func(context.Context, string, string) (net.Conn, error) {
		defer close(dialled)
		<-given
		here, there := net.Pipe()
		there.Close()
		return here, nil
	}
	s := p.Probe(t.Context()).Service
	if s == nil || s.Works || !strings.Contains(s.Problem, "not done within") {
		t.Fatalf("%+v", s)
	}
	close(given)
	<-dialled
	for range 100 { // what the dial leads to runs meanwhile
		runtime.Gosched()
		if s.ConnectKnown || s.Reached {
			t.Fatalf("a step came later: %+v", s)
		}
	}
}

func TestNewRefuses(t *testing.T) {
	for name, c := range map[string]Config{
		"no check":                 {Name: "x", Address: "y"},
		"a page without a scheme":  {Name: "x", Check: CheckPage, Address: "example.invalid/a"},
		"another scheme":           {Name: "x", Check: CheckPage, Address: "file:///etc/passwd"},
		"a password in the URL":    {Name: "x", Check: CheckPage, Address: "http://a:b@example.invalid"},
		"a port without a number":  {Name: "x", Check: CheckPort, Address: "example.invalid"},
		"a marker for a port":      {Name: "x", Check: CheckPort, Address: "example.invalid:1", Marker: "m"},
		"an endless deadline":      {Name: "x", Check: CheckName, Address: "y", Deadline: time.Hour},
		"a marker past the limit":  {Name: "x", Check: CheckPage, Address: "http://y.invalid", Marker: "long", MaxBytes: 2},
		"an impossible status":     {Name: "x", Check: CheckPage, Address: "http://y.invalid", Status: 42},
		"no name":                  {Check: CheckName, Address: "y"},
		"a name check without one": {Name: "x", Check: CheckName},
	} {
		if _, err := New(c); err == nil {
			t.Errorf("%s was taken", name)
		}
	}
}
