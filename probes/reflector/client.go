package reflector

import (
	"cmp"
	"context"
	"crypto/rand"
	"crypto/tls"
	"encoding/hex"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"time"

	"candlemark/probes"
	"candlemark/probes/metered"
	"candlemark/probes/stamp"
)

// Defaults of a Config, and the bounds that New enforces.
const (
	DefaultProbeStreams = 4
	DefaultProbeBytes   = 60_000_000
	DefaultDeadline     = 10 * time.Second
	DefaultWorking      = 4 * time.Second

	MaxStreams  = 16
	MinBytes    = 500_000
	MinDeadline = time.Second
	MaxDeadline = time.Minute

	idleRequests = 5
	packetMost   = 160 // octets of an authenticated STAMP packet over IPv6
	idleTimeout  = 5 * time.Second
)

// Dial opens a connection; net.Dialer's DialContext is one.
type Dial func(ctx context.Context, network, address string) (net.Conn, error)

// Config says what to measure and how far a probe may go. Zero values of Streams,
// MaxBytes, Deadline, WorkingFor and Congestion take the defaults.
type Config struct {
	Name    string
	Section probes.Section

	// Reflector is the base URL of a reflector, such as "http://192.0.2.7:18621".
	Reflector string
	Token     string
	// Source is the URL of any other HTTP source, for download alone, in place of
	// Reflector.
	Source string
	TLS    *tls.Config // for https; nil takes the host's certificate authorities

	Streams  int
	MaxBytes int64         // on the wire, for the whole probe; each direction has its even share of what is left
	Deadline time.Duration // for each direction
	Down, Up bool          // at least one; Source allows Down alone
	// Fixed runs each direction for Deadline instead of until its figure is known.
	Fixed bool

	Congestion string  // of TCP, for each connection; the host's own where it is not to be had
	LinkBitS   float64 // nominal IP rate of the link, for the transfer time ratio; 0 is not known

	// STAMP, when its Address is set, is measured before the transfer, and during it
	// when Working is. Name, Section, Count and Interval may be left out.
	STAMP stamp.Config
	// Working keeps the link loaded, once steady, for WorkingFor, and measures
	// requests meanwhile.
	Working    bool
	WorkingFor time.Duration

	Dial Dial // nil takes net.Dialer's
}

type prober struct {
	cfg  Config
	base *url.URL
	idle probes.Prober // nil without STAMP
	busy probes.Prober

	busyBytes int64 // the most that busy costs on the wire

	record func(slots []float64, unit float64) // for tests; nil is none
}

// New checks the configuration and returns a prober. It opens nothing.
func New(cfg Config) (probes.Prober, error) {
	if cfg.Name == "" {
		return nil, errors.New("reflector probe: name is empty")
	}
	p, err := newProber(cfg)
	if err != nil {
		return nil, fmt.Errorf("reflector probe %s: %w", cfg.Name, err)
	}
	return p, nil
}

func newProber(cfg Config) (*prober, error) {
	cfg.Streams = cmp.Or(cfg.Streams, DefaultProbeStreams)
	cfg.MaxBytes = cmp.Or(cfg.MaxBytes, DefaultProbeBytes)
	cfg.Deadline = cmp.Or(cfg.Deadline, DefaultDeadline)
	cfg.WorkingFor = cmp.Or(cfg.WorkingFor, DefaultWorking)
	cfg.Congestion = cmp.Or(cfg.Congestion, DefaultCongestion)
	if cfg.Dial == nil {
		cfg.Dial = new(net.Dialer).DialContext
	}
	p := &prober{cfg: cfg}
	text := cmp.Or(cfg.Reflector, cfg.Source)
	switch {
	case cfg.Section != probes.Hop && cfg.Section != probes.Uplink:
		return nil, fmt.Errorf("section %q is neither %q nor %q", cfg.Section, probes.Hop, probes.Uplink)
	case (cfg.Reflector == "") == (cfg.Source == ""):
		return nil, errors.New("give a reflector or a source, not both")
	case cfg.Reflector != "" && len(cfg.Token) < MinToken:
		return nil, fmt.Errorf("a token of %d octets; the reflector's has %d or more", len(cfg.Token), MinToken)
	case cfg.Source != "" && (cfg.Up || cfg.Working):
		return nil, errors.New("a source can only be measured down, and not under load")
	case !cfg.Down && !cfg.Up:
		return nil, errors.New("neither direction is to be measured")
	case cfg.Streams < 1 || cfg.Streams > MaxStreams:
		return nil, fmt.Errorf("streams %d is not from 1 to %d", cfg.Streams, MaxStreams)
	case cfg.MaxBytes < MinBytes:
		return nil, fmt.Errorf("byte budget %d is below %d", cfg.MaxBytes, MinBytes)
	case cfg.Deadline < MinDeadline || cfg.Deadline > MaxDeadline:
		return nil, fmt.Errorf("deadline %v is not from %v to %v", cfg.Deadline, MinDeadline, MaxDeadline)
	case cfg.WorkingFor < time.Second || cfg.WorkingFor > MaxDeadline:
		return nil, fmt.Errorf("time under load %v is not from 1s to %v", cfg.WorkingFor, MaxDeadline)
	case !(cfg.LinkBitS >= 0) || cfg.LinkBitS > 1e12:
		return nil, fmt.Errorf("link rate %v bit/s", cfg.LinkBitS)
	}
	u, err := url.Parse(text)
	if err != nil {
		return nil, err
	}
	if (u.Scheme != "http" && u.Scheme != "https") || u.Hostname() == "" || u.User != nil || u.Fragment != "" ||
		cfg.Reflector != "" && (u.Path != "" && u.Path != "/" || u.RawQuery != "") {
		return nil, fmt.Errorf("%q is not of the form http://host:port or https://host:port", text)
	}
	p.base = u
	return p, p.withSTAMP()
}

// withSTAMP makes the probers that measure packets beside the transfer.
func (p *prober) withSTAMP() error {
	cfg := p.cfg.STAMP
	if cfg.Address == "" {
		return nil
	}
	cfg.Name, cfg.Section = p.cfg.Name, p.cfg.Section
	cfg.Interval = cmp.Or(cfg.Interval, 20*time.Millisecond)
	cfg.Count = cmp.Or(cfg.Count, 50)
	if cfg.Dial == nil {
		cfg.Dial = stamp.Dial(p.cfg.Dial)
	}
	var err error
	if p.idle, err = stamp.NewProber(cfg); err != nil {
		return err
	}
	cfg.Count = max(1, int(p.cfg.WorkingFor/cfg.Interval))
	cfg.Timeout = 3 * time.Second // a full queue may hold a packet long
	p.busyBytes = int64(cfg.Count) * 2 * packetMost
	p.busy, err = stamp.NewProber(cfg)
	return err
}

// Probe runs one bounded measurement.
func (p *prober) Probe(ctx context.Context) probes.Result {
	r := probes.Result{Target: p.cfg.Name, Section: p.cfg.Section, Kind: probes.Throughput, Start: time.Now()}
	a := attempt{prober: p, id: newID()}
	stats, err := a.run(ctx)
	r.Elapsed = time.Since(r.Start)
	r.Bytes = a.spent
	if stats.DownKnown || stats.UpKnown {
		r.Throughput = &stats
	}
	if err != nil {
		r.Err = fmt.Errorf("throughput %s (%s): %w", p.cfg.Name, p.base.Host, err)
	}
	return r
}

// newID names a run to the reflector.
func newID() string {
	var b [12]byte
	_, _ = rand.Read(b[:]) // never fails
	return hex.EncodeToString(b[:])
}

// attempt is one probe under way.
type attempt struct {
	*prober
	id    string
	spent int64 // bytes on the wire so far
	base  time.Duration
	known bool // of base
}

func (a *attempt) run(ctx context.Context) (stats probes.ThroughputStats, err error) {
	stats.Server = a.prober.base.Host
	if a.idle != nil {
		r := a.idle.Probe(ctx)
		a.spent += r.Bytes
		if r.Err != nil {
			return stats, fmt.Errorf("idle latency: %w", r.Err)
		}
		stats.Idle = r.Latency
		a.base, a.known = r.Latency.Min, r.Latency.RTTKnown
	}
	if a.cfg.Reflector != "" {
		rtt, err := a.idleRequests(ctx)
		if err != nil {
			return stats, fmt.Errorf("idle round trip: %w", err)
		}
		if !a.known || rtt < a.base {
			a.base, a.known = rtt, true
		}
	}
	stats.IdleRTT, stats.IdleRTTKnown = a.base, a.known
	var faults []error
	if a.cfg.Down {
		share := a.left()
		if a.cfg.Up {
			share /= 2
		}
		t, err := a.transfer(ctx, down, share)
		if err != nil {
			faults = append(faults, fmt.Errorf("down: %w", err))
		} else {
			stats.Down, stats.DownKnown, stats.DownBytes, stats.DownTime, stats.DownDetail = t.BitS, true, t.Bytes, t.Time, t
			stats.StoppedBy = t.StoppedBy
		}
	}
	if a.cfg.Up && ctx.Err() == nil {
		t, err := a.transfer(ctx, up, a.left())
		if err != nil {
			faults = append(faults, fmt.Errorf("up: %w", err))
		} else {
			stats.Up, stats.UpKnown, stats.UpBytes, stats.UpTime, stats.UpDetail = t.BitS, true, t.Bytes, t.Time, t
			if stats.StoppedBy == "" || stats.StoppedBy == stopKnown {
				stats.StoppedBy = t.StoppedBy // the less welcome one is told
			}
		}
	}
	return stats, errors.Join(faults...)
}

// Every connection byte stands for 1.05 bytes on the wire: 40 octets of TCP and
// IP header to each 1460 of payload, and an acknowledgement of 52 for every two
// such segments the other way, make 4.5 %.
func withHeaders(n int64) int64    { return n * 105 / 100 }
func withoutHeaders(n int64) int64 { return n * 100 / 105 }

// forReports is kept back for what is asked of the reflector after each direction.
const forReports = 20_000

// left is how many connection bytes the budget still allows. Of them 3 % are kept
// back for what a lossy link makes the sender send again.
func (a *attempt) left() int64 {
	return max(withoutHeaders(a.cfg.MaxBytes-a.spent-forReports)*97/100, 0)
}

// idleRequests is the least time of a few small requests on one connection.
func (a *attempt) idleRequests(ctx context.Context) (least time.Duration, err error) {
	ctx, ph := a.begin(ctx, idleTimeout, 64<<10)
	defer func() { a.spent += withHeaders(ph.end()) }()
	for i := range idleRequests {
		begun := time.Now()
		if err := ph.small(ctx); err != nil {
			if i > 1 && context.Cause(ctx) == errDeadline {
				break // slow, but measured
			}
			return 0, ph.fault(ctx, err)
		}
		// The first one also sets the connection up.
		if rtt := time.Since(begun); i > 0 && (least == 0 || rtt < least) {
			least = rtt
		}
	}
	return least, nil
}

// phase is one bounded part of an attempt, with connections of its own.
type phase struct {
	*attempt
	outer  context.Context
	cancel context.CancelCauseFunc
	stop   context.CancelFunc
	limit  time.Duration
	wire   *wire
	client *http.Transport
}

// begin starts a phase under ctx. The context given back ends with it, and its
// cause tells which bound was met.
func (a *attempt) begin(outer context.Context, limit time.Duration, budget int64) (context.Context, *phase) {
	ph := &phase{attempt: a, outer: outer, limit: limit}
	ctx, cancel := context.WithCancelCause(outer)
	ctx, ph.stop = context.WithTimeoutCause(ctx, limit, errDeadline)
	ph.cancel = cancel
	ph.wire = newWire(a.cfg.Dial, a.cfg.Congestion, budget, func() { cancel(metered.ErrBudget) })
	ph.client = &http.Transport{
		DialContext: func(_ context.Context, network, address string) (net.Conn, error) {
			return ph.wire.dialContext(ctx, network, address) // by itself it would go on dialling for a request that is gone
		},
		TLSClientConfig:        a.cfg.TLS,
		TLSNextProto:           map[string]func(string, *tls.Conn) http.RoundTripper{}, // one connection a stream
		DisableCompression:     true,
		MaxIdleConnsPerHost:    MaxStreams,
		TLSHandshakeTimeout:    5 * time.Second,
		ResponseHeaderTimeout:  idleTimeout + time.Second, // where the phase is shorter, its own end says how long was waited
		MaxResponseHeaderBytes: 16 << 10,
		ReadBufferSize:         piece,
		WriteBufferSize:        piece,
	}
	return ctx, ph
}

// end stops everything the phase started and gives the bytes it cost.
func (ph *phase) end() int64 {
	ph.cancel(metered.ErrOver)
	ph.stop()
	n := ph.wire.Close()
	ph.client.CloseIdleConnections()
	return n
}

// fault says why a phase came to nothing: the end of its caller or its bounds
// first, then what is otherwise known.
func (ph *phase) fault(ctx context.Context, otherwise error) error {
	switch cause := context.Cause(ctx); {
	case ph.outer.Err() != nil:
		return fmt.Errorf("interrupted: %w", context.Cause(ph.outer))
	case errors.Is(cause, metered.ErrBudget):
		return metered.ErrBudget
	case errors.Is(cause, errDeadline):
		return fmt.Errorf("%w within %v", otherwise, ph.limit)
	}
	return otherwise
}
