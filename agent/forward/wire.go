package forward

import (
	"context"
	"crypto/tls"
	"net"
	"net/http"
	"sync/atomic"
	"time"
)

// wire is the transport, which counts what passes over its connections.
type wire struct {
	transport *http.Transport
	moved     atomic.Int64 // bytes, both ways
	late      atomic.Bool  // what is being sent catches up
}

func newWire(tlsConfig *tls.Config, used func(bytes int64, late bool)) *wire {
	w := &wire{}
	dialer := net.Dialer{Timeout: 10 * time.Second}
	w.transport = &http.Transport{
		DialContext: func(ctx context.Context, network, address string) (net.Conn, error) {
			c, err := dialer.DialContext(ctx, network, address)
			if err != nil {
				return nil, err
			}
			return &counted{Conn: c, count: func(n int) {
				w.moved.Add(int64(n))
				if used != nil && n > 0 {
					used(int64(n), w.late.Load())
				}
			}}, nil
		},
		TLSClientConfig: tlsConfig,
		MaxConnsPerHost: 1,
		IdleConnTimeout: 90 * time.Second,
	}
	return w
}

// counted is a connection whose bytes are counted as they pass.
type counted struct {
	net.Conn
	count func(n int)
}

func (c *counted) Read(b []byte) (int, error) {
	n, err := c.Conn.Read(b)
	c.count(n)
	return n, err
}

func (c *counted) Write(b []byte) (int, error) {
	n, err := c.Conn.Write(b)
	c.count(n)
	return n, err
}
