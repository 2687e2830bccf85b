// Package httpd serves the agent's metrics, its health and the status page for
// people.
//
// The page is rendered on the board and fetches nothing from elsewhere, so it works
// on any phone on the relay's network while the uplink is down. It is whole without
// a script. With one it follows the agent: the server renders the parts that changed
// by the page's own template and sends them as server-sent events (live.go,
// frame.go), the script puts them in their place. No word of the page is made in the
// browser but those about the connection itself.
//
// What the plots show is kept in memory since the agent started, thinned as it grows
// (trail.go); a restart begins it anew. TLS and basic authentication come from a web
// configuration file in the format of Prometheus' exporter-toolkit, read again for
// each connection.
//
// Beside them the server takes commands, where the configuration names a token file: POST
// to /actions/NAME (package action), only over TLS or from the board itself, with
// the token and the person's name in headers of their own. There are no cookies, so
// that a foreign page has nothing to borrow, and its requests are refused by their
// origin besides. Wrong tokens are counted by address; beyond five, one is looked at
// every 10 s.
//
// There are at most 512 connections; where they are taken, one that asks for nothing
// makes room.
//
// Limits: a request has a bounded time, header and body, and a client that is slower
// than that is cut off; at most eight pages are told as things change, the others
// ask. A proxy on the board counts as the board: it has to ask for TLS and
// credentials itself.
package httpd

import (
	"context"
	"errors"
	"fmt"
	"html/template"
	"log/slog"
	"net"
	"net/http"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"github.com/prometheus/exporter-toolkit/web"

	"candlemark/agent/status"
	"candlemark/probes/survey"
)

const (
	headerTimeout  = 5 * time.Second
	readTimeout    = 10 * time.Second
	writeTimeout   = 30 * time.Second
	idleTimeout    = 2 * time.Minute // above the usual scrape intervals, so that connections are kept
	maxHeaderBytes = 16 << 10
	drainTimeout   = 3 * time.Second
)

// Config says where and how to serve.
type Config struct {
	Listen        string                          // host:port; port 0 takes a free one
	WebConfigFile string                          // exporter-toolkit web configuration; "" serves plain HTTP to everybody
	Actions       *Actions                        // nil takes no commands
	Surveys       func() ([]survey.Record, error) // all that are kept; nil where none are made
	Log           *slog.Logger                    // what the server has to say; nil drops it
}

// Server serves the agent's pages.
type Server struct {
	cfg     Config
	view    func() status.Snapshot
	pulse   *pulse
	trails  *trails
	viewers viewers
	surveys compared
	frames  struct {
		sync.Mutex
		last *frame
		made time.Time
	}
	mux    *http.ServeMux
	page   *template.Template
	assets map[string]asset
	ready  chan struct{}
	addr   atomic.Pointer[string]

	sameOrigin *http.CrossOriginProtection
	guesses    guesses
}

// New returns a server of metrics and of the agent that view shows. view is
// called for each request, perhaps by several goroutines at once.
func New(cfg Config, metrics http.Handler, view func() status.Snapshot) *Server {
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	s := &Server{cfg: cfg, view: view, pulse: newPulse(), trails: newTrails(), mux: http.NewServeMux(), page: parsePage(), assets: loadAssets(), ready: make(chan struct{}), sameOrigin: http.NewCrossOriginProtection()}
	s.mux.Handle("GET /metrics", metrics)
	s.mux.HandleFunc("GET /health", s.serveHealth)
	s.mux.HandleFunc("GET /{$}", s.servePage)
	s.mux.HandleFunc("GET /live", s.serveLive)
	s.mux.HandleFunc("GET /now", s.serveNow)
	s.mux.HandleFunc("GET /curves", s.serveCurves)
	s.mux.HandleFunc("GET /assets/", s.serveAsset)
	s.mux.HandleFunc("POST /actions/{name}", s.serveAction)
	return s
}

// Handler is everything the server serves, for tests.
func (s *Server) Handler() http.Handler { return withHeaders(s.mux) }

// Ready is closed once the server accepts connections.
func (s *Server) Ready() <-chan struct{} { return s.ready }

// Addr is the address that is served; "" before Ready.
func (s *Server) Addr() string {
	if a := s.addr.Load(); a != nil {
		return *a
	}
	return ""
}

// Run serves until ctx ends, then lets running requests finish for a moment. It
// returns nil after an orderly end, and an error that says what to do when the
// address cannot be had. Run may be called once.
func (s *Server) Run(ctx context.Context) error {
	if err := web.Validate(s.cfg.WebConfigFile); err != nil {
		return fmt.Errorf("web configuration %s: %w", s.cfg.WebConfigFile, err)
	}
	l, err := net.Listen("tcp", s.cfg.Listen)
	if err != nil {
		return listenError(s.cfg.Listen, err)
	}
	l = &crowd{Listener: l, most: mostConnections}
	addr := l.Addr().String()
	s.addr.Store(&addr)
	srv := &http.Server{
		Handler:           served(s.Handler()),
		ConnContext:       withGuest,
		ReadHeaderTimeout: headerTimeout,
		ReadTimeout:       readTimeout,
		WriteTimeout:      writeTimeout,
		IdleTimeout:       idleTimeout,
		MaxHeaderBytes:    maxHeaderBytes,
		ErrorLog:          slog.NewLogLogger(s.cfg.Log.Handler(), slog.LevelWarn),
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	watched := make(chan struct{})
	go func() {
		defer close(watched)
		s.watch(ctx)
	}()
	served := make(chan error, 1)
	go func() {
		served <- web.Serve(l, srv, &web.FlagConfig{WebConfigFile: &s.cfg.WebConfigFile}, s.cfg.Log)
	}()
	close(s.ready)

	select {
	case err = <-served: // only a fault ends Serve by itself
	case <-ctx.Done():
		<-watched // has let the open pages go, which would not end by themselves
		drain, done := context.WithTimeout(context.WithoutCancel(ctx), drainTimeout)
		if srv.Shutdown(drain) != nil {
			srv.Close() // a client that will not finish does not keep the agent from ending
		}
		done()
		err = <-served
	}
	cancel()
	<-watched
	if errors.Is(err, http.ErrServerClosed) {
		return nil
	}
	return fmt.Errorf("serve %s: %w", addr, err)
}

func listenError(addr string, err error) error {
	switch {
	case errors.Is(err, syscall.EADDRINUSE):
		return fmt.Errorf("listen on %s: the port is in use by another program; end it or set another address: %w", addr, err)
	case errors.Is(err, syscall.EACCES):
		return fmt.Errorf("listen on %s: not permitted; set a port of 1024 or above: %w", addr, err)
	case errors.Is(err, syscall.EADDRNOTAVAIL):
		return fmt.Errorf("listen on %s: this board has no such address; set one that it has, or leave the host out: %w", addr, err)
	}
	return fmt.Errorf("listen on %s: %w", addr, err)
}

// withHeaders forbids what the page never needs: scripts and styles within it,
// frames, other origins.
func withHeaders(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; frame-ancestors 'none'; form-action 'none'; base-uri 'none'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cache-Control", "no-store")
		next.ServeHTTP(w, r)
	})
}
