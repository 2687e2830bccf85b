package service

import (
	"bytes"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptrace"
	"net/netip"
	"strings"
	"sync/atomic"
	"syscall"
	"time"

	"candlemark/probes"
)

// synBytes is an allowance for setting a connection up and ending it.
const synBytes = 280

// connect resolves and connects, trying the addresses in the resolver's order,
// each with its share of the time that is left.
func (p *prober) connect(ctx context.Context, w *way, passed *atomic.Int64, address string) (net.Conn, error) {
	host, port, err := net.SplitHostPort(address)
	if err != nil {
		return nil, err
	}
	var addrs []netip.Addr
	if a, err := netip.ParseAddr(host); err == nil {
		addrs = []netip.Addr{a}
	} else if addrs, err = p.name(ctx, w, host); err != nil {
		return nil, err
	}
	addrs = addrs[:min(len(addrs), 4)]
	var lastErr error
	for i, a := range addrs {
		conn, took, err := p.try(ctx, net.JoinHostPort(a.Unmap().String(), port), len(addrs)-i)
		passed.Add(synBytes)
		if err == nil {
			w.note(func(s *probes.ServiceStats) { s.Connect, s.ConnectKnown, s.Reached = took, true, true })
			return &counted{Conn: conn, passed: passed}, nil
		}
		if errors.Is(err, syscall.ECONNREFUSED) {
			w.note(func(s *probes.ServiceStats) { s.Reached = true }) // a reset is an answer
		}
		lastErr = err
	}
	return nil, lastErr
}

func (p *prober) try(ctx context.Context, address string, left int) (net.Conn, time.Duration, error) {
	if end, ok := ctx.Deadline(); ok {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, time.Until(end)/time.Duration(left))
		defer cancel()
	}
	start := time.Now()
	conn, err := p.dial(ctx, "tcp", address)
	return conn, time.Since(start), err
}

// errElsewhere is a page that sends the reader to another host.
var errElsewhere = errors.New("the page sends the reader on to another host, as a sign-in page does")

func (p *prober) fetch(ctx context.Context, w *way, passed *atomic.Int64) error {
	transport := &http.Transport{
		DialContext: func(ctx context.Context, _, address string) (net.Conn, error) {
			return p.connect(ctx, w, passed, address)
		},
		DisableKeepAlives: true, DisableCompression: true, MaxResponseHeaderBytes: maxHeaderBytes,
		TLSClientConfig: &tls.Config{MinVersion: tls.VersionTLS12},
	}
	if p.roots != nil {
		p.roots(transport)
	}
	defer transport.CloseIdleConnections()
	client := &http.Client{Transport: transport, CheckRedirect: func(next *http.Request, via []*http.Request) error {
		switch {
		case !strings.EqualFold(next.URL.Hostname(), p.page.Hostname()):
			return fmt.Errorf("%w: %s", errElsewhere, next.URL.Hostname())
		case len(via) > maxRedirects:
			return fmt.Errorf("more than %d redirects", maxRedirects)
		}
		return nil
	}}
	var handshake time.Time
	ctx = httptrace.WithClientTrace(ctx, &httptrace.ClientTrace{
		TLSHandshakeStart: func() { handshake = time.Now() },
		TLSHandshakeDone: func(_ tls.ConnectionState, err error) {
			if err == nil {
				took := time.Since(handshake)
				w.note(func(s *probes.ServiceStats) { s.TLS, s.TLSKnown = took, true })
			}
		},
	})
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, p.page.String(), nil)
	if err != nil {
		return err
	}
	start := time.Now()
	resp, err := client.Do(req)
	if err != nil {
		return err
	}
	defer resp.Body.Close()
	took := time.Since(start)
	w.note(func(s *probes.ServiceStats) { s.FirstByte, s.FirstByteKnown, s.Status = took, true, resp.StatusCode })
	if !p.statusFits(resp.StatusCode) {
		return fmt.Errorf("answered %s", resp.Status)
	}
	return p.body(w, resp.Body)
}

func (p *prober) statusFits(code int) bool {
	if p.cfg.Status != 0 {
		return code == p.cfg.Status
	}
	return code >= 200 && code <= 299
}

// body reads until the marker is found, the page ends, or MaxBytes are read.
func (p *prober) body(w *way, body io.Reader) error {
	read, err := io.ReadAll(io.LimitReader(body, p.cfg.MaxBytes))
	w.note(func(s *probes.ServiceStats) { s.BodyBytes = int64(len(read)) })
	switch {
	case p.cfg.Marker != "" && bytes.Contains(read, []byte(p.cfg.Marker)):
		return nil // what comes after the marker is not needed
	case err != nil:
		return fmt.Errorf("read the page after %d bytes: %w", len(read), err)
	case p.cfg.Marker != "":
		return fmt.Errorf("the page lacks its marker %q in the %d bytes read", p.cfg.Marker, len(read))
	}
	return nil
}

// counted counts what passes a connection.
type counted struct {
	net.Conn
	passed *atomic.Int64
}

func (c *counted) Read(b []byte) (int, error) {
	n, err := c.Conn.Read(b)
	c.passed.Add(int64(n))
	return n, err
}

func (c *counted) Write(b []byte) (int, error) {
	n, err := c.Conn.Write(b)
	c.passed.Add(int64(n))
	return n, err
}
