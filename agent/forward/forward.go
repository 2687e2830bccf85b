package forward

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"candlemark/agent/journal"
	"candlemark/agent/secret"
	"candlemark/agent/status"
)

// Version is a version of the remote-write standard.
type Version string

const (
	VersionAuto Version = "auto" // 2.0, or 1.0 where the receiver does not know it
	Version1    Version = "1.0"
	Version2    Version = "2.0"
)

// Config says where samples go and what it may cost. Zero values take the defaults.
type Config struct {
	URL             string        // of the receiver's write endpoint, path and all
	Version         Version       // default auto
	Every           time.Duration // between gatherings; default 15 s, at least 1 s
	SendEvery       time.Duration // how long a gathering may wait for others to share its request; default 1 min
	Timeout         time.Duration // of one request; default 30 s
	MaxAge          time.Duration // older samples are dropped; default 96 h
	CatchUpBytes    int           // bytes a second while catching up; default 16,384
	MaxSamples      int           // in one request; default 2,000
	BearerTokenFile string        // "" is none
	User            string        // basic authentication, with PasswordFile; "" is none
	PasswordFile    string
	CAFile          string // certificates the receiver's is checked against; "" is the system's
	// Identity labels, "" is none; and others.
	Relay, Site, Incident string
	Labels                map[string]string
}

func (c Config) withDefaults() Config {
	set := func(d *time.Duration, usual time.Duration) {
		if *d == 0 {
			*d = usual
		}
	}
	set(&c.Every, 15*time.Second)
	set(&c.SendEvery, time.Minute)
	set(&c.Timeout, 30*time.Second)
	set(&c.MaxAge, 96*time.Hour)
	if c.Version == "" {
		c.Version = VersionAuto
	}
	if c.CatchUpBytes == 0 {
		c.CatchUpBytes = 16 << 10
	}
	if c.MaxSamples == 0 {
		c.MaxSamples = 2000
	}
	return c
}

// check finds every fault, with the remedy.
func (c Config) check() error {
	var faults []error
	fault := func(format string, args ...any) { faults = append(faults, fmt.Errorf("forward: "+format, args...)) }
	// The address itself is not repeated: it may hold a secret.
	if u, err := url.Parse(c.URL); err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
		fault("url is not an http:// or https:// address")
	} else if u.User != nil {
		fault("url holds a user name; use user and password_file instead")
	}
	if !slices.Contains([]Version{VersionAuto, Version1, Version2}, c.Version) {
		fault("version %q is not known; use auto, 1.0 or 2.0", c.Version)
	}
	if c.Every < time.Second || c.SendEvery < 0 || c.Timeout < 0 || c.MaxAge < 0 || c.CatchUpBytes < 0 || c.MaxSamples < 0 {
		fault("a figure is out of range; every is at least 1s, nothing is negative")
	}
	if (c.User == "") != (c.PasswordFile == "") {
		fault("user and password_file go together; set both or none")
	}
	if c.BearerTokenFile != "" && c.PasswordFile != "" {
		fault("two ways to authenticate; keep bearer_token_file or password_file")
	}
	for _, path := range []string{c.BearerTokenFile, c.PasswordFile} {
		if path == "" {
			continue
		}
		if _, err := secret.Read(path); err != nil {
			fault("%w", err)
		}
	}
	for name, value := range c.Labels {
		if err := (label{name, value}).check(); err != nil || name == nameLabel || slices.Contains([]string{"relay", "site", "incident"}, name) {
			fault("label %s cannot be set; use another name and a value", name)
		}
	}
	return errors.Join(faults...)
}

// labels are those that every series carries, sorted.
func (c Config) labels() []label {
	all := []label{{"relay", c.Relay}, {"site", c.Site}, {"incident", c.Incident}}
	for name, value := range c.Labels {
		all = append(all, label{name, value})
	}
	all = slices.DeleteFunc(all, func(l label) bool { return l.value == "" })
	for i := range all {
		all[i].value = strings.ToValidUTF8(all[i].value, "\uFFFD")
		all[i].value = strings.ToValidUTF8(all[i].value[:min(len(all[i].value), mostValue)], "")
	}
	slices.SortFunc(all, func(a, b label) int { return strings.Compare(a.name, b.name) })
	return all
}

// Backlog is the journal as the forwarder needs it.
type Backlog interface {
	AddGathering(journal.Gathering) (uint64, error)
	Gatherings(after uint64, most int) ([]journal.Gathering, error)
	Forget(seq uint64)
	Status() status.Journal
}

// Clock says what time it was, where that is known.
type Clock interface {
	Uptime() time.Duration
	Wall(boot string, up time.Duration) (time.Time, bool)
}

// Parts is what a forwarder works with.
type Parts struct {
	Source  prometheus.Gatherer
	Backlog Backlog
	Clock   Clock
	Boot    string // the present boot's id, as the backlog has it
	// Used is told of bytes as they are moved, and whether they catch up; Room is asked
	// before each request whether the data budget bears so many more. nil where there is
	// no budget. Both must not wait.
	Used func(bytes int64, late bool)
	Room func(bytes int64) bool
}

// Forwarder is a running or ready forwarder.
type Forwarder struct {
	cfg    Config
	parts  Parts
	gather *gatherer
	send   *sender
	wire   *wire // nil with a transport of a test's
	added  chan struct{}
}

// New returns a forwarder that does nothing until Run. All faults of the
// configuration are reported at once.
func New(cfg Config, parts Parts) (*Forwarder, error) {
	cfg = cfg.withDefaults()
	if err := cfg.check(); err != nil {
		return nil, err
	}
	roots, err := cfg.roots()
	if err != nil {
		return nil, fmt.Errorf("forward: %w", err)
	}
	w := newWire(&tls.Config{RootCAs: roots, MinVersion: tls.VersionTLS12}, parts.Used)
	f, err := newForwarder(cfg, parts, w.transport)
	if err != nil {
		return nil, err
	}
	f.wire, f.send.moved, f.send.late = w, w.moved.Load, &w.late
	return f, nil
}

func (c Config) roots() (*x509.CertPool, error) {
	if c.CAFile == "" {
		return nil, nil
	}
	text, err := os.ReadFile(c.CAFile)
	if err != nil {
		return nil, fmt.Errorf("ca_file: %w", err)
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(text) {
		return nil, fmt.Errorf("ca_file %s: holds no certificate in PEM form", c.CAFile)
	}
	return pool, nil
}

func newForwarder(cfg Config, parts Parts, transport http.RoundTripper) (*Forwarder, error) {
	p, err := newPoster(cfg, transport)
	if err != nil {
		return nil, fmt.Errorf("forward: %w", err)
	}
	f := &Forwarder{cfg: cfg, parts: parts, added: make(chan struct{}, 1)}
	f.gather = &gatherer{source: parts.Source, fixed: cfg.labels()}
	f.send = &sender{cfg: cfg, parts: parts, post: p, added: f.added, moved: func() int64 { return 0 }, late: new(atomic.Bool), patience: mostRequests, offend: offenders{}}
	return f, nil
}

// Run gathers and sends until ctx ends. What is not delivered by then stays in the backlog.
func (f *Forwarder) Run(ctx context.Context) error {
	var half sync.WaitGroup
	half.Go(func() { f.send.run(ctx) })
	f.gatherAll(ctx)
	half.Wait()
	if f.wire != nil {
		f.wire.transport.CloseIdleConnections()
	}
	return nil
}

// gatherAll fills the backlog.
func (f *Forwarder) gatherAll(ctx context.Context) {
	tick := time.NewTicker(f.cfg.Every)
	defer tick.Stop()
	for {
		// The uptime before the figures are read: they are of then or a moment later.
		up := f.parts.Clock.Uptime()
		series, values, bad, err := f.gather.gather()
		if len(series) > 0 {
			_, keepErr := f.parts.Backlog.AddGathering(journal.Gathering{Up: up, Series: series, Values: values})
			err = errors.Join(err, keepErr)
		}
		f.send.gathered(bad, err)
		select {
		case f.added <- struct{}{}:
		default:
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// Status is how forwarding fares. Safe from any goroutine.
func (f *Forwarder) Status() status.Forward {
	s := f.send.status()
	s.Waiting = f.parts.Backlog.Status().Gatherings
	return s
}
