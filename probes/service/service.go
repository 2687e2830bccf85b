// Package service asks whether a named service does what people need of it: a
// name resolves, a page comes with the status and the words it should have, a
// port takes a connection. A link that pings well and carries no page is no use;
// this probe does the users' task once.
//
// # What counts as what
//
//   - A service that refuses, answers with an error, lacks its marker, or is not
//     there is a measurement: ServiceStats.Works is false and Problem says why.
//   - A probe that was interrupted is none: Result.Err.
//   - A page that sends the reader on to another host does not work: a sign-in
//     portal answers so, with status 200 at the end. On the same host up to three
//     redirects are followed.
//   - Without a marker, any page with the right status passes, a portal's too when
//     it answers in the place of the host. Give a marker.
//
// # Bounds
//
// One deadline for the whole probe, 10 s by default; at most MaxBytes of the body
// and 64 KiB of headers are read, uncompressed as sent. Proxies are not used, no
// connection is kept, and nothing is left running when Probe returns (a resolver
// of the C library, where the program is built with one, may end a little later).
//
// # Limits
//
// Certificates are checked against the system's roots, so a wrong clock shows as
// a problem of the page. Bytes counts what passed the connections plus 5 % for
// headers of TCP and IP and acknowledgements; name queries count 200 octets each
// (an allowance, not a count).
package service

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"sync"
	"sync/atomic"
	"time"

	"candlemark/probes"
)

// The checks of a Config.
const (
	CheckName = "name"
	CheckPage = "page"
	CheckPort = "port"
)

// Defaults of a Config, and the bounds that New enforces.
const (
	DefaultDeadline = 10 * time.Second
	DefaultMaxBytes = 256 << 10

	MinDeadline = 100 * time.Millisecond
	MaxDeadline = time.Minute
	MaxMaxBytes = 16 << 20

	maxHeaderBytes = 64 << 10
	maxRedirects   = 3
	nameQueryBytes = 200
)

// Config says which service and what it must do. Zero values of Deadline and
// MaxBytes take the defaults.
type Config struct {
	Name    string
	Section probes.Section
	Check   string
	// Address is a host name for CheckName, an http or https URL for CheckPage,
	// and host:port for CheckPort.
	Address string
	// Status is what a page must answer; 0 takes any from 200 to 299.
	Status int
	// Marker is text that must stand in the page's first MaxBytes.
	Marker   string
	Deadline time.Duration
	MaxBytes int64
}

type prober struct {
	cfg     Config
	page    *url.URL
	resolve func(ctx context.Context, host string) ([]netip.Addr, error)
	dial    func(ctx context.Context, network, address string) (net.Conn, error)
	roots   func(*http.Transport) // set in tests only
}

// New checks the configuration and returns a prober. It opens nothing.
func New(cfg Config) (probes.Prober, error) { return newProber(cfg) }

func newProber(cfg Config) (*prober, error) {
	if cfg.Name == "" {
		return nil, errors.New("service: name is empty")
	}
	bad := func(format string, args ...any) (*prober, error) {
		return nil, fmt.Errorf("service %s: %w", cfg.Name, fmt.Errorf(format, args...))
	}
	if cfg.Deadline == 0 {
		cfg.Deadline = DefaultDeadline
	}
	if cfg.MaxBytes == 0 {
		cfg.MaxBytes = DefaultMaxBytes
	}
	p := &prober{cfg: cfg, dial: new(net.Dialer).DialContext}
	p.resolve = func(ctx context.Context, host string) ([]netip.Addr, error) {
		return net.DefaultResolver.LookupNetIP(ctx, "ip", host)
	}
	switch {
	case cfg.Deadline < MinDeadline || cfg.Deadline > MaxDeadline:
		return bad("deadline %v is not from %v to %v", cfg.Deadline, MinDeadline, MaxDeadline)
	case cfg.MaxBytes < 1 || cfg.MaxBytes > MaxMaxBytes:
		return bad("byte limit %d is not from 1 to %d", cfg.MaxBytes, int64(MaxMaxBytes))
	case cfg.Status != 0 && (cfg.Status < 100 || cfg.Status > 599):
		return bad("status %d is not from 100 to 599", cfg.Status)
	case cfg.Check != CheckPage && (cfg.Status != 0 || cfg.Marker != ""):
		return bad("status and marker are for the check %q", CheckPage)
	case int64(len(cfg.Marker)) > cfg.MaxBytes:
		return bad("marker is longer than the %d bytes that are read", cfg.MaxBytes)
	}
	switch cfg.Check {
	case CheckName:
		if cfg.Address == "" {
			return bad("address is empty")
		}
	case CheckPort:
		if _, _, err := net.SplitHostPort(cfg.Address); err != nil {
			return bad("address: %w", err)
		}
	case CheckPage:
		u, err := url.Parse(cfg.Address)
		if err != nil {
			return bad("address: %w", err)
		}
		if u.Scheme != "http" && u.Scheme != "https" || u.Host == "" {
			return bad("address %q is not an http or https URL", cfg.Address)
		}
		if u.User != nil {
			return bad("address holds a user or password: a probe needs a page that is open")
		}
		p.page = u
	default:
		return bad("check %q is none of %q, %q, %q", cfg.Check, CheckName, CheckPage, CheckPort)
	}
	return p, nil
}

// way is what is known of the way so far. An HTTP transport goes on dialling for a
// moment after its request has ended, so what it notes then must not reach a result
// that was given away.
type way struct {
	mu    sync.Mutex
	stats probes.ServiceStats
}

func (w *way) note(set func(*probes.ServiceStats)) {
	w.mu.Lock()
	defer w.mu.Unlock()
	set(&w.stats)
}

func (w *way) now() probes.ServiceStats {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.stats
}

// Probe asks once. It returns by the deadline, or soon after ctx ends.
func (p *prober) Probe(ctx context.Context) probes.Result {
	r := probes.Result{Target: p.cfg.Name, Section: p.cfg.Section, Kind: probes.Service, Start: time.Now()}
	deadline, cancel := context.WithTimeout(ctx, p.cfg.Deadline)
	defer cancel()
	w := &way{stats: probes.ServiceStats{Check: p.cfg.Check}}
	var passed atomic.Int64
	var err error
	switch p.cfg.Check {
	case CheckName:
		_, err = p.name(deadline, w, p.cfg.Address)
		r.Bytes = nameQueryBytes
	case CheckPort:
		err = p.port(deadline, w, &passed)
	case CheckPage:
		err = p.fetch(deadline, w, &passed)
	}
	s := w.now()
	r.Elapsed = time.Since(r.Start)
	r.Bytes += passed.Load() * 105 / 100
	if s.ResolveKnown && p.cfg.Check != CheckName {
		r.Bytes += nameQueryBytes
	}
	if err != nil && ctx.Err() != nil {
		r.Err = fmt.Errorf("service %s (%s): interrupted: %w", p.cfg.Name, p.cfg.Address, context.Cause(ctx))
		return r
	}
	s.Works = err == nil
	if err != nil {
		s.Problem = err.Error()
		if deadline.Err() != nil {
			s.Problem = fmt.Sprintf("not done within %v: %s", p.cfg.Deadline, s.Problem)
		}
	}
	r.Service = &s
	return r
}

// name resolves host. An answer that there is no such name still is an answer of
// a name server, though perhaps of one on this side: Reached stays unset.
func (p *prober) name(ctx context.Context, w *way, host string) ([]netip.Addr, error) {
	start := time.Now()
	addrs, err := p.resolve(ctx, host)
	if err == nil && len(addrs) == 0 {
		err = errors.New("no address")
	}
	if err != nil {
		return nil, fmt.Errorf("%w: %w", probes.ErrNoName, err)
	}
	took := time.Since(start)
	w.note(func(s *probes.ServiceStats) {
		s.Resolve, s.ResolveKnown, s.Reached = took, true, p.cfg.Check == CheckName
	})
	return addrs, nil
}

func (p *prober) port(ctx context.Context, w *way, passed *atomic.Int64) error {
	conn, err := p.connect(ctx, w, passed, p.cfg.Address)
	if err != nil {
		return err
	}
	return conn.Close()
}
