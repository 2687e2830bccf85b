// Package latency measures round trips, loss and delay variation to one target
// with a short burst of packets.
//
// # Model
//
// A burst is Count packets, Interval apart. Each is waited for until Timeout; one
// that is not answered by then is lost and has no round trip (RFC 2681: undefined,
// neither 0 nor the time-out). A late answer is a lost packet. Of two answers to
// one packet the first counts; answers out of order are matched to their packets.
//
// Type-P (RFC 2330) is one of:
//   - icmp: an ICMP echo request of 32 octets (52 with the IPv4 header, 72 with
//     IPv6). Datagram sockets, which need no privilege where the kernel's
//     net.ipv4.ping_group_range admits the group, are tried before raw ones.
//   - tcp_connect: the time to set a TCP connection up. A refusal is a reply: the
//     reset proves the round trip. The time-out stays under 1 s, after which the
//     kernel would send the SYN again (RFC 6298) and so hide a loss.
//
// With the method auto, TCP is taken when neither kind of ICMP socket may be
// opened; the method used is in the result.
//
// # What counts as what
//
//   - Unanswered, "unreachable", no route, forbidden by a local firewall: the
//     packet is sent and lost, and LossCause says why. An outage must not look
//     like a fault of the measurement.
//   - A name that does not resolve: Result.Err wraps probes.ErrNoName.
//   - No socket (not permitted, out of descriptors), a probe that was interrupted:
//     Result.Err, nothing measured.
//
// # Limits
//
// ICMP may be rate-limited or queued apart from other traffic (RFC 6349 section
// 3.2.1). A refusal may come from a device before the target. Times are taken in
// the process, not on the wire: on a busy small board they are some tenths of a
// millisecond long. The burst is paced evenly, not as a Poisson stream, so it can
// beat with a periodic link. Looking a name up takes at most 5 s and is no part of
// the round trip.
package latency

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"strconv"
	"time"

	"candlemark/probes"
)

// Methods of a Config.
const (
	MethodAuto = "auto"
	MethodICMP = "icmp"
	MethodTCP  = "tcp_connect"
)

// Defaults of a Config, and the bounds that New enforces.
const (
	DefaultCount    = 10
	DefaultInterval = 200 * time.Millisecond
	DefaultTimeout  = 900 * time.Millisecond
	DefaultPort     = 443

	MaxCount       = 1000
	MinInterval    = 10 * time.Millisecond
	MaxInterval    = time.Minute
	MaxICMPTimeout = 10 * time.Second
	synRetry       = time.Second // RFC 6298 section 2: first retransmission time-out

	lookupTimeout = 5 * time.Second
)

// Config says what to measure and how. Zero values of Method, Port, Count,
// Interval and Timeout take the defaults.
type Config struct {
	Name    string
	Section probes.Section
	Address string // a name, an IP address, or either with a port for TCP
	Method  string
	Port    int // for TCP, when Address has none; 443 by default, a refusal being a reply too

	Count    int
	Interval time.Duration
	Timeout  time.Duration // for each packet; under 1 s unless Method is icmp
}

type prober struct {
	cfg  Config
	host string
	port uint16

	resolve func(ctx context.Context, host string) ([]netip.Addr, error)
	dial    func(ctx context.Context, network, address string) (net.Conn, error)
	echo    func(ctx context.Context, cfg Config, addr netip.Addr, privileged bool) (burst, error)
}

// burst is what a run of packets came to.
type burst struct {
	outcomes  []Outcome // in the order sent
	lossCause error     // why, when something said so
	bytes     int64
}

// New checks the configuration and returns a prober. It opens nothing.
func New(cfg Config) (probes.Prober, error) {
	p, err := newProber(cfg)
	if err != nil {
		return nil, err
	}
	return p, nil
}

func newProber(cfg Config) (*prober, error) {
	if cfg.Name == "" {
		return nil, errors.New("latency: name is empty")
	}
	bad := func(format string, args ...any) (*prober, error) {
		return nil, fmt.Errorf("latency %s: %w", cfg.Name, fmt.Errorf(format, args...))
	}
	cfg = withDefaults(cfg)
	if cfg.Section != probes.Hop && cfg.Section != probes.Uplink {
		return bad("section %q is neither %q nor %q", cfg.Section, probes.Hop, probes.Uplink)
	}
	if cfg.Count < 1 || cfg.Count > MaxCount {
		return bad("count %d is not from 1 to %d", cfg.Count, MaxCount)
	}
	if cfg.Interval < MinInterval || cfg.Interval > MaxInterval {
		return bad("interval %v is not from %v to %v", cfg.Interval, MinInterval, MaxInterval)
	}
	switch cfg.Method {
	case MethodICMP:
		if cfg.Timeout <= 0 || cfg.Timeout > MaxICMPTimeout {
			return bad("timeout %v is not above 0 and up to %v", cfg.Timeout, MaxICMPTimeout)
		}
	case MethodAuto, MethodTCP:
		if cfg.Timeout <= 0 || cfg.Timeout >= synRetry {
			return bad("timeout %v is not above 0 and under %v, when a SYN is sent again and hides its loss", cfg.Timeout, synRetry)
		}
	default:
		return bad("method %q is none of %q, %q, %q", cfg.Method, MethodAuto, MethodICMP, MethodTCP)
	}
	host, port, err := splitAddress(cfg.Address, cfg.Port)
	if err != nil {
		return bad("address %q: %w", cfg.Address, err)
	}
	return &prober{
		cfg: cfg, host: host, port: port,
		resolve: lookup, dial: new(net.Dialer).DialContext, echo: echoBurst,
	}, nil
}

func withDefaults(cfg Config) Config {
	if cfg.Method == "" {
		cfg.Method = MethodAuto
	}
	if cfg.Port == 0 {
		cfg.Port = DefaultPort
	}
	if cfg.Count == 0 {
		cfg.Count = DefaultCount
	}
	if cfg.Interval == 0 {
		cfg.Interval = DefaultInterval
	}
	if cfg.Timeout == 0 {
		cfg.Timeout = DefaultTimeout
	}
	return cfg
}

// splitAddress takes "host", "host:port", "1.2.3.4", "::1" and "[::1]:port".
func splitAddress(address string, fallback int) (host string, port uint16, err error) {
	host, n := address, fallback
	if _, err := netip.ParseAddr(address); err != nil {
		if h, p, err := net.SplitHostPort(address); err == nil {
			host = h
			if n, err = strconv.Atoi(p); err != nil {
				return "", 0, fmt.Errorf("port %q is not a number", p)
			}
		}
	}
	if n < 1 || n > 65535 {
		return "", 0, fmt.Errorf("port %d is not from 1 to 65535", n)
	}
	if addr, err := netip.ParseAddr(host); err == nil {
		if addr.IsMulticast() || addr.IsUnspecified() || addr == netip.AddrFrom4([4]byte{255, 255, 255, 255}) {
			return "", 0, errors.New("not the address of one host")
		}
	} else if !plausibleName(host) {
		return "", 0, errors.New("neither a host name nor an IP address")
	}
	return host, uint16(n), nil
}

// plausibleName keeps what is plainly no host name (a URL, a blank, two ports)
// from being asked of the name server for ever.
func plausibleName(host string) bool {
	if host == "" || len(host) > 253 {
		return false
	}
	for _, r := range host {
		if r <= ' ' || r == '/' || r == ':' || r == '@' || r == '[' || r == ']' || r == 0x7f {
			return false
		}
	}
	return true
}

// lookup finds the addresses of host. It is the process's resolver, which asks
// the name servers itself when the program is built without cgo.
func lookup(ctx context.Context, host string) ([]netip.Addr, error) {
	return net.DefaultResolver.LookupNetIP(ctx, "ip", host)
}

// Probe sends one burst. It takes at most Count x Interval + Timeout, after up to
// 5 s for looking a name up, and returns within about 0.1 s once ctx ends.
func (p *prober) Probe(ctx context.Context) probes.Result {
	r := probes.Result{Target: p.cfg.Name, Section: p.cfg.Section, Kind: probes.Latency, Start: time.Now()}
	method, b, err := p.measure(ctx)
	r.Elapsed = time.Since(r.Start)
	r.Bytes = b.bytes
	if err == nil && len(b.outcomes) < p.cfg.Count && ctx.Err() != nil {
		err = fmt.Errorf("interrupted: %w", context.Cause(ctx))
	}
	if err == nil && len(b.outcomes) == 0 {
		err = errors.New("no packet could be waited for in full")
	}
	if err != nil {
		r.Err = fmt.Errorf("latency %s (%s): %w", p.cfg.Name, p.cfg.Address, err)
		return r
	}
	stats := Summarize(method, b.outcomes)
	stats.Timeout = p.cfg.Timeout
	if b.lossCause != nil && stats.Lost > 0 {
		stats.LossCause = b.lossCause.Error()
	}
	r.Latency = &stats
	return r
}

func (p *prober) measure(ctx context.Context) (method string, b burst, err error) {
	addr, err := p.address(ctx)
	if err != nil {
		return "", burst{}, err
	}
	if p.cfg.Method != MethodTCP {
		b, err = p.icmp(ctx, addr)
		if err == nil || p.cfg.Method == MethodICMP || !errors.Is(err, errNoSocket) {
			return MethodICMP, b, err
		}
	}
	b, err = p.tcp(ctx, netip.AddrPortFrom(addr, p.port))
	return MethodTCP, b, err
}

func (p *prober) address(ctx context.Context) (netip.Addr, error) {
	if addr, err := netip.ParseAddr(p.host); err == nil {
		return addr.Unmap(), nil
	}
	lookupCtx, cancel := context.WithTimeout(ctx, lookupTimeout)
	defer cancel()
	addrs, err := p.resolve(lookupCtx, p.host)
	if ctx.Err() != nil {
		return netip.Addr{}, fmt.Errorf("interrupted: %w", context.Cause(ctx))
	}
	if err == nil && len(addrs) == 0 {
		err = errors.New("no address")
	}
	if err != nil {
		return netip.Addr{}, fmt.Errorf("%w: %w", probes.ErrNoName, err)
	}
	return addrs[0].Unmap(), nil // the resolver sorts by RFC 6724
}
