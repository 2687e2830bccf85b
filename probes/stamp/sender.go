package stamp

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"net/netip"
	"strconv"
	"time"

	"candlemark/probes"
)

// Method is the method of results.
const Method = "stamp"

// Defaults of a Config, and the bounds that NewProber enforces.
const (
	DefaultCount    = 20
	DefaultInterval = 100 * time.Millisecond
	DefaultTimeout  = 900 * time.Millisecond

	MaxCount    = 10_000
	MinInterval = 2 * time.Millisecond
	MaxInterval = time.Minute
	MaxTimeout  = 10 * time.Second
	MaxPadding  = 1400 // octets; more would be cut in pieces on the way

	lookupTimeout = 5 * time.Second
	closers       = 3 // tries to learn the reflector's count
)

// Dial opens a socket; net.Dialer's DialContext is one.
type Dial func(ctx context.Context, network, address string) (net.Conn, error)

// Config says what to measure and how. Zero values of Count, Interval and Timeout
// take the defaults.
type Config struct {
	Name    string
	Section probes.Section
	Address string // "host" or "host:port"; DefaultPort where it has none
	Key     []byte // authenticated mode; nil is open mode

	Count    int
	Interval time.Duration
	Timeout  time.Duration // for each packet
	Padding  int           // octets added to each packet, as one Extra Padding extension

	// Dial opens the UDP socket, for measuring from a chosen address or interface;
	// nil takes net.Dialer's.
	Dial Dial
}

type prober struct {
	cfg  Config
	host string
	port uint16
}

// NewProber checks the configuration and returns a prober. It opens nothing.
func NewProber(cfg Config) (probes.Prober, error) {
	if cfg.Name == "" {
		return nil, errors.New("stamp: name is empty")
	}
	cfg.Count = cmp.Or(cfg.Count, DefaultCount)
	cfg.Interval = cmp.Or(cfg.Interval, DefaultInterval)
	cfg.Timeout = cmp.Or(cfg.Timeout, DefaultTimeout)
	if cfg.Dial == nil {
		cfg.Dial = new(net.Dialer).DialContext
	}
	host, port, err := splitAddress(cfg.Address)
	if err == nil {
		err = cfg.check()
	}
	if err != nil {
		return nil, fmt.Errorf("stamp %s: %w", cfg.Name, err)
	}
	return &prober{cfg: cfg, host: host, port: port}, nil
}

func (cfg Config) check() error {
	switch {
	case cfg.Section != probes.Hop && cfg.Section != probes.Uplink:
		return fmt.Errorf("section %q is neither %q nor %q", cfg.Section, probes.Hop, probes.Uplink)
	case cfg.Count < 1 || cfg.Count > MaxCount:
		return fmt.Errorf("count %d is not from 1 to %d", cfg.Count, MaxCount)
	case cfg.Interval < MinInterval || cfg.Interval > MaxInterval:
		return fmt.Errorf("interval %v is not from %v to %v", cfg.Interval, MinInterval, MaxInterval)
	case cfg.Timeout <= 0 || cfg.Timeout > MaxTimeout:
		return fmt.Errorf("timeout %v is not above 0 and up to %v", cfg.Timeout, MaxTimeout)
	case cfg.Padding < 0 || cfg.Padding > MaxPadding:
		return fmt.Errorf("padding of %d octets is not from 0 to %d", cfg.Padding, MaxPadding)
	case cfg.Key != nil:
		return CheckKey(cfg.Key)
	}
	return nil
}

// splitAddress takes "host", "host:port", "1.2.3.4", "::1" and "[::1]:port".
func splitAddress(address string) (host string, port uint16, err error) {
	if _, err := netip.ParseAddr(address); err == nil {
		return address, DefaultPort, nil
	}
	host, text, err := net.SplitHostPort(address)
	if err != nil { // no port
		host, text = address, strconv.Itoa(DefaultPort)
	}
	n, err := strconv.ParseUint(text, 10, 16)
	if err != nil || n == 0 {
		return "", 0, fmt.Errorf("address %q: port %q is not from 1 to 65535", address, text)
	}
	if host == "" || len(host) > 253 {
		return "", 0, fmt.Errorf("address %q has no host", address)
	}
	for _, r := range host {
		if r <= ' ' || r == '/' || r == '@' || r == '[' || r == ']' || r == 0x7f {
			return "", 0, fmt.Errorf("address %q is neither a host name nor an IP address", address)
		}
	}
	return host, uint16(n), nil
}

// Probe measures one burst. It takes at most Count x Interval + 4 x Timeout, after
// up to 5 s for looking a name up, and returns soon after ctx ends.
func (p *prober) Probe(ctx context.Context) probes.Result {
	r := probes.Result{Target: p.cfg.Name, Section: p.cfg.Section, Kind: probes.Latency, Start: time.Now()}
	stats, bytes, err := p.measure(ctx)
	r.Elapsed = time.Since(r.Start)
	r.Bytes = bytes
	if err != nil {
		r.Err = fmt.Errorf("stamp %s (%s): %w", p.cfg.Name, p.cfg.Address, err)
		return r
	}
	r.Latency = &stats
	return r
}

func (p *prober) measure(ctx context.Context) (probes.LatencyStats, int64, error) {
	addr, err := p.address(ctx)
	if err != nil {
		return probes.LatencyStats{}, 0, err
	}
	conn, err := p.cfg.Dial(ctx, "udp", netip.AddrPortFrom(addr, p.port).String())
	if err != nil {
		if ctx.Err() != nil {
			return probes.LatencyStats{}, 0, fmt.Errorf("interrupted: %w", context.Cause(ctx))
		}
		return p.unroutable(err)
	}
	udp, ok := conn.(*net.UDPConn)
	if !ok {
		_ = conn.Close() // never used
		return probes.LatencyStats{}, 0, fmt.Errorf("dial gave a %T instead of a UDP socket", conn)
	}
	if err := prepare(udp); err != nil {
		_ = udp.Close() // never used
		return probes.LatencyStats{}, 0, err
	}
	b := newBurst(p.cfg, udp, uint16(1+rand.N(65535)))
	err = b.run(ctx)
	if err == nil && ctx.Err() != nil {
		err = fmt.Errorf("interrupted: %w", context.Cause(ctx))
	}
	header := 28 // IPv4 and UDP
	if addr.Is6() {
		header = 48
	}
	bytes := int64(b.packets) * int64(len(b.out)+header)
	if err != nil {
		return probes.LatencyStats{}, bytes, err
	}
	return b.stats(), bytes, nil
}

// unroutable is a burst of which nothing could be sent, since this host has no
// way there: an outage looks just so. Being short of sockets says nothing of it.
func (p *prober) unroutable(err error) (probes.LatencyStats, int64, error) {
	if isShortage(err) {
		return probes.LatencyStats{}, 0, err
	}
	return probes.LatencyStats{
		Method: Method, Sent: p.cfg.Count, Lost: p.cfg.Count, Timeout: p.cfg.Timeout, LossCause: rootCause(err).Error(),
	}, 0, nil
}

func (p *prober) address(ctx context.Context) (netip.Addr, error) {
	if addr, err := netip.ParseAddr(p.host); err == nil {
		return addr.Unmap(), nil
	}
	lookupCtx, cancel := context.WithTimeout(ctx, lookupTimeout)
	defer cancel()
	addrs, err := net.DefaultResolver.LookupNetIP(lookupCtx, "ip", p.host)
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
