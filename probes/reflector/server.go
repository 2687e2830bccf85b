package reflector

import (
	"cmp"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"log"
	"net"
	"net/http"
	"sync"
	"time"

	"golang.org/x/time/rate"

	"candlemark/probes/stamp"
)

// Defaults and bounds of a server.
const (
	DefaultPort       = 18621 // of HTTP; STAMP's is stamp.DefaultPort
	DefaultStreams    = 32
	DefaultMaxBytes   = 1_000_000_000
	DefaultDayBytes   = 20_000_000_000
	DefaultCongestion = "cubic"

	MinToken = 16 // octets

	longestRequest = 90 * time.Second
	longestStall   = 10 * time.Second
	mostConns      = 64
	day            = 24 * time.Hour
)

// ServerConfig says whom the reflector serves and how much. Zero values of the
// bounds take the defaults.
type ServerConfig struct {
	// Token opens the HTTP source and sink; who asks must send it.
	Token string
	TLS   *tls.Config // nil is plain HTTP, in which the token can be read on the way

	STAMP stamp.ReflectorConfig

	Streams    int     // transfers at once
	MaxBytes   int64   // for each request
	BytesADay  int64   // of the source and the sink together, from the start of the server on
	RateBitS   float64 // of the source and of the sink, each in total; 0 is no limit
	Congestion string  // control of TCP congestion, for each connection
}

// Server is the reflector: STAMP and an HTTP source and sink.
type Server struct {
	cfg    ServerConfig
	stamp  *stamp.Reflector
	token  [sha256.Size]byte
	random []byte // test data that nothing on the way can compress
	rates  map[string]*rate.Limiter
	places chan struct{}
	runs   *runs
	begun  time.Time

	mu    sync.Mutex
	today int
	used  int64
	total ServerCounts
}

// ServerCounts are what the server has done.
type ServerCounts struct {
	BytesOut, BytesIn                   int64
	Requests, Refused, Limited, Dropped int64
	STAMP                               stamp.Counts
}

// NewServer checks the configuration. It opens nothing.
func NewServer(cfg ServerConfig) (*Server, error) {
	cfg.Streams = cmp.Or(cfg.Streams, DefaultStreams)
	cfg.MaxBytes = cmp.Or(cfg.MaxBytes, DefaultMaxBytes)
	cfg.BytesADay = cmp.Or(cfg.BytesADay, DefaultDayBytes)
	cfg.Congestion = cmp.Or(cfg.Congestion, DefaultCongestion)
	switch {
	case len(cfg.Token) < MinToken:
		return nil, fmt.Errorf("reflector: a token of %d octets; it takes %d or more", len(cfg.Token), MinToken)
	case cfg.Streams < 1 || cfg.MaxBytes < 1 || cfg.BytesADay < 1:
		return nil, errors.New("reflector: a bound is below the least that works")
	case !(cfg.RateBitS >= 0) || cfg.RateBitS > 0 && cfg.RateBitS < 64e3:
		return nil, fmt.Errorf("reflector: a rate of %v bit/s; it takes 64 kbit/s or more, or 0 for no limit", cfg.RateBitS)
	}
	s := &Server{
		cfg: cfg, token: sha256.Sum256([]byte(cfg.Token)), random: make([]byte, 256<<10),
		places: make(chan struct{}, cfg.Streams), runs: newRuns(), begun: time.Now(),
		rates: map[string]*rate.Limiter{},
	}
	_, _ = rand.Read(s.random) // never fails
	if cfg.RateBitS > 0 {
		for _, way := range []string{"source", "sink"} {
			// A tenth of a second's worth may come at once: a busy board wakes late.
			s.rates[way] = rate.NewLimiter(rate.Limit(cfg.RateBitS/8), max(2*piece, int(cfg.RateBitS/80)))
		}
	}
	var err error
	if s.stamp, err = stamp.NewReflector(cfg.STAMP); err != nil {
		return nil, err
	}
	return s, nil
}

// Counts are those so far.
func (s *Server) Counts() ServerCounts {
	s.mu.Lock()
	c := s.total
	s.mu.Unlock()
	c.STAMP = s.stamp.Counts()
	return c
}

// Serve answers on both sockets until ctx ends or one of them fails, and closes
// them. When it returns, all it started has ended. The error is nil when ctx ended.
func (s *Server) Serve(ctx context.Context, web net.Listener, packets *net.UDPConn) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var handling sync.WaitGroup
	h := &http.Server{
		Handler: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			handling.Add(1)
			defer handling.Done()
			s.handle(w, r)
		}),
		ReadHeaderTimeout: 5 * time.Second,
		IdleTimeout:       30 * time.Second,
		MaxHeaderBytes:    8 << 10,
		TLSConfig:         s.cfg.TLS,
		TLSNextProto:      map[string]func(*http.Server, *tls.Conn, http.Handler){}, // one connection a stream
		ErrorLog:          log.New(io.Discard, "", 0),                               // what strangers send is counted, not logged
		BaseContext:       func(net.Listener) context.Context { return ctx },
		ConnContext: func(ctx context.Context, c net.Conn) context.Context {
			return context.WithValue(ctx, connKey{}, &tuned{Conn: c, congestion: tune(c, s.cfg.Congestion)})
		},
	}
	limited := &limitedListener{Listener: web, places: make(chan struct{}, mostConns), dropped: func() { s.note(func(c *ServerCounts) { c.Dropped++ }) }}
	ended := make(chan error, 2)
	go func() { ended <- s.stamp.Serve(ctx, packets) }()
	go func() {
		var err error
		if s.cfg.TLS != nil {
			err = h.ServeTLS(limited, "", "")
		} else {
			err = h.Serve(limited)
		}
		if ctx.Err() != nil || errors.Is(err, http.ErrServerClosed) {
			err = nil
		}
		ended <- err
	}()
	stop := context.AfterFunc(ctx, func() { _ = h.Close() }) // also ends transfers under way
	defer stop()
	first := <-ended
	cancel()
	_ = h.Close()
	second := <-ended
	handling.Wait()
	return errors.Join(first, second)
}

func (s *Server) note(f func(*ServerCounts)) {
	s.mu.Lock()
	f(&s.total)
	s.mu.Unlock()
}

// grant takes n bytes out of the day's cap; less, or none, when they are used up.
// The day is the server's own, since a small board's clock may be set.
func (s *Server) grant(n int64) int64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	if today := int(time.Since(s.begun) / day); today != s.today {
		s.today, s.used = today, 0
	}
	n = min(n, s.cfg.BytesADay-s.used)
	s.used += n
	return n
}

// giveBack returns what was granted and not used.
func (s *Server) giveBack(n int64) {
	s.mu.Lock()
	s.used -= n
	s.mu.Unlock()
}

func (s *Server) authorised(r *http.Request) bool {
	const scheme = "Bearer "
	got := r.Header.Get("Authorization")
	if len(got) < len(scheme) || got[:len(scheme)] != scheme {
		return false
	}
	sum := sha256.Sum256([]byte(got[len(scheme):])) // so that the comparison tells no length
	return subtle.ConstantTimeCompare(sum[:], s.token[:]) == 1
}

type connKey struct{}

// tuned is a connection and the congestion control in force on it.
type tuned struct {
	net.Conn
	congestion string
}

// limitedListener closes connections beyond its places at once.
type limitedListener struct {
	net.Listener
	places  chan struct{}
	dropped func()
}

func (l *limitedListener) Accept() (net.Conn, error) {
	for {
		c, err := l.Listener.Accept()
		if err != nil {
			return nil, err
		}
		select {
		case l.places <- struct{}{}:
			return &limitedConn{Conn: c, free: sync.OnceFunc(func() { <-l.places })}, nil
		default:
			l.dropped()
			_ = c.Close() // one too many
		}
	}
}

type limitedConn struct {
	net.Conn
	free func()
}

func (c *limitedConn) Close() error {
	err := c.Conn.Close()
	c.free()
	return err
}
