// Package throughput measures how fast data cross the wide area, with bounded
// transfers to and from a server that speaks the HTTP layout of speedtest-go.
//
// # Model
//
// A probe asks the server for a short text a few times (the idle round trip is the
// least of them: RFC 6349 section 3.2.1), then loads data one way, then the other,
// each direction alone (RFC 6349 section 3.3). The figure of a direction is our
// own: payload bytes over time, from the first payload byte plus a ramp-up to the
// end of the transfer. The ramp-up left out is a quarter of that time, 2 s at most;
// TCP's slow start falls into it. Nothing is extrapolated. Download counts bytes
// as they are read; upload counts them as the kernel takes them, which holds back
// all but 128 KiB of unsent data, so the figure runs ahead of the wire by no more
// than that and what is in flight.
//
// What counts: bodies answered 2xx. An error page, a redirect, a page of text where
// test data were asked for (a sign-in portal answers so), a body shorter than
// 64 KiB, an upload that was refused or answered before it was over: none of their
// bytes is speed. All of them are cost, in Result.Bytes.
//
// # Bounds
//
//   - Time: 15 s to pick a server (only when none is configured), 5 s of idle
//     round trips, and the deadline for each direction. The caller is free at once
//     when its context ends.
//   - Bytes: every byte read from or written to a connection counts, plus 5 % for
//     the headers of TCP and IP and the acknowledgements. What is still in flight
//     when a transfer is cut (up to a receive window) also crosses the link and is
//     not counted.
//   - Processor: a request that fails is followed by a pause; eight failures in a
//     row end the direction.
//
// # The library and its traps
//
// speedtest-go is used for its servers and requests, not for its figures. It is
// built from the parts below http.DefaultClient, behind a guard:
//
//   - Importing it replaces http.DefaultClient's transport. New puts that right;
//     call it before anything uses the default client.
//   - Cancelling its context does not stop its workers, which try again at once,
//     for ever. The guard refuses every request once a transfer is over and holds
//     its caller until the library's own capture time ends, so they cost nothing
//     and are gone by the end of the deadline, even when the probe was left early.
//   - It counts error pages as speed, and hides most errors. The guard keeps them.
//
// # Limits
//
// A figure is that of the path to one server at one moment, shared with whatever
// else uses the link. A transfer over in less than 0.1 s has no figure. HTTP
// proxies are not used.
package throughput

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"time"

	"candlemark/probes"
	"candlemark/probes/metered"
)

// Defaults of a Config, and the bounds that New enforces.
const (
	DefaultStreams  = 4
	DefaultMaxBytes = 25_000_000
	DefaultDeadline = 10 * time.Second

	MaxStreams  = 16
	MinMaxBytes = 1_000_000
	MinDeadline = time.Second
	MaxDeadline = time.Minute

	pickTimeout = 15 * time.Second
	idleTimeout = 5 * time.Second
)

// Config says what to measure and how far a probe may go. Zero values of Streams,
// MaxBytes and Deadline take the defaults.
type Config struct {
	Name    string
	Section probes.Section
	// Server is the base URL of a server, such as "http://192.0.2.7:8080". Empty
	// asks the library's public list and takes the server that answers first.
	Server   string
	Streams  int           // connections used at once
	MaxBytes int64         // for the whole probe; each direction may use its even share of what is left
	Deadline time.Duration // for each direction
	Down, Up bool          // directions to measure; at least one
}

type prober struct {
	cfg       Config
	transport func(ctx context.Context, group *metered.Group) http.RoundTripper // replaced in tests
}

// New checks the configuration and returns a prober. It opens nothing; it does
// repair http.DefaultClient, whose transport the library replaces on import.
func New(cfg Config) (probes.Prober, error) {
	restoreDefaultClient()
	if cfg.Name == "" {
		return nil, errors.New("throughput: name is empty")
	}
	if err := check(&cfg); err != nil {
		return nil, fmt.Errorf("throughput %s: %w", cfg.Name, err)
	}
	return &prober{cfg: cfg, transport: newTransport}, nil
}

func check(cfg *Config) error {
	if cfg.Streams == 0 {
		cfg.Streams = DefaultStreams
	}
	if cfg.MaxBytes == 0 {
		cfg.MaxBytes = DefaultMaxBytes
	}
	if cfg.Deadline == 0 {
		cfg.Deadline = DefaultDeadline
	}
	switch {
	case cfg.Section != probes.Hop && cfg.Section != probes.Uplink:
		return fmt.Errorf("section %q is neither %q nor %q", cfg.Section, probes.Hop, probes.Uplink)
	case cfg.Streams < 1 || cfg.Streams > MaxStreams:
		return fmt.Errorf("streams %d is not from 1 to %d", cfg.Streams, MaxStreams)
	case cfg.MaxBytes < MinMaxBytes:
		return fmt.Errorf("byte budget %d is below %d", cfg.MaxBytes, MinMaxBytes)
	case cfg.Deadline < MinDeadline || cfg.Deadline > MaxDeadline:
		return fmt.Errorf("deadline %v is not from %v to %v", cfg.Deadline, MinDeadline, MaxDeadline)
	case !cfg.Down && !cfg.Up:
		return errors.New("neither direction is to be measured")
	case cfg.Server == "":
		return nil
	}
	u, err := url.Parse(cfg.Server)
	if err != nil {
		return fmt.Errorf("server: %w", err)
	}
	if (u.Scheme != "http" && u.Scheme != "https") || u.Hostname() == "" || u.User != nil ||
		(u.Path != "" && u.Path != "/") || u.RawQuery != "" || u.Fragment != "" {
		return fmt.Errorf("server %q is not of the form http://host or https://host:port", cfg.Server)
	}
	return nil
}

// Probe runs one bounded measurement.
func (p *prober) Probe(ctx context.Context) probes.Result {
	r := probes.Result{Target: p.cfg.Name, Section: p.cfg.Section, Kind: probes.Throughput, Start: time.Now()}
	a := attempt{prober: p}
	stats, err := a.run(ctx)
	r.Elapsed = time.Since(r.Start)
	r.Bytes = withHeaders(a.spent)
	if stats.DownKnown || stats.UpKnown {
		r.Throughput = &stats
	}
	if err != nil {
		r.Err = fmt.Errorf("throughput %s (%s): %w", p.cfg.Name, a.where(), err)
	}
	return r
}

// attempt is one probe under way.
type attempt struct {
	*prober
	server server
	spent  int64 // bytes on all connections so far
}

func (a *attempt) where() string {
	switch {
	case a.server.url != "":
		return a.server.host
	case a.cfg.Server != "":
		return a.cfg.Server
	}
	return "public server list"
}

func (a *attempt) run(ctx context.Context) (stats probes.ThroughputStats, err error) {
	if err := a.pick(ctx); err != nil {
		return stats, fmt.Errorf("pick a server: %w", err)
	}
	stats.Server = a.server.host
	if stats.IdleRTT, err = a.idle(ctx); err != nil {
		return stats, fmt.Errorf("idle round trip: %w", err)
	}
	stats.IdleRTTKnown = true

	var faults []error
	shares := int64(0)
	for _, wanted := range []bool{a.cfg.Down, a.cfg.Up} {
		if wanted {
			shares++
		}
	}
	if a.cfg.Down {
		f, stopped, err := a.transfer(ctx, down, a.left()/shares)
		if err != nil {
			faults = append(faults, fmt.Errorf("down: %w", err))
		} else {
			stats.Down, stats.DownKnown, stats.DownBytes, stats.DownTime = f.bitsPerSecond(), true, f.bytes, f.time
		}
		stats.StoppedBy = stopped
	}
	if a.cfg.Up && ctx.Err() == nil {
		f, stopped, err := a.transfer(ctx, up, a.left())
		if err != nil {
			faults = append(faults, fmt.Errorf("up: %w", err))
		} else {
			stats.Up, stats.UpKnown, stats.UpBytes, stats.UpTime = f.bitsPerSecond(), true, f.bytes, f.time
		}
		if stopped != "" {
			stats.StoppedBy = stopped
		}
	}
	return stats, errors.Join(faults...)
}

// Every connection byte stands for 1.05 bytes on the wire: 40 octets of TCP and
// IP header to each 1460 of payload, and an acknowledgement of 52 for every two
// such segments the other way (RFC 9293, RFC 1122 section 4.2.3.2), make 4.5 %.
func withHeaders(n int64) int64    { return n * 105 / 100 }
func withoutHeaders(n int64) int64 { return n * 100 / 105 }

// left is how many connection bytes the budget still allows. Each stream may run
// over by one read, which is held back here.
func (a *attempt) left() int64 {
	return max(withoutHeaders(a.cfg.MaxBytes)-int64(a.cfg.Streams)*metered.Piece-a.spent, 0)
}
