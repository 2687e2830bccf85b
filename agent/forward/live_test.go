package forward

import (
	"context"
	"crypto/tls"
	"encoding/pem"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"candlemark/agent/journal"
	"candlemark/agent/status"
	"candlemark/deploy/promtest"
)

// pastClock is of a board that has run, with its clock set, since start.
type pastClock struct{ start time.Time }

func (c pastClock) Uptime() time.Duration { return time.Since(c.start) }
func (c pastClock) Wall(_ string, up time.Duration) (time.Time, bool) {
	return c.start.Add(up), true
}

// figure is what series s of gathering i held.
func figure(i, s int) float64 { return float64(i*1000 + s) }

// filled is a journal that holds the gatherings of the last span.
func filled(t *testing.T, span time.Duration, series int) (*journal.Journal, int) {
	t.Helper()
	j, err := journal.Open(filepath.Join(t.TempDir(), "j.db"), journal.Options{Boot: "boot-1", MaxWaiting: 2000})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = j.Close() })
	var names []string
	for s := range series {
		names = append(names, join(typeGauge, []label{{nameLabel, fmt.Sprintf("candlemark_past_%02d", s)}, {"relay", "stairwell"}}))
	}
	n := int(span / (15 * time.Second))
	for i := range n {
		g := journal.Gathering{Up: time.Duration(i) * 15 * time.Second, Series: names}
		for s := range series {
			g.Values = append(g.Values, figure(i, s))
		}
		if _, err := j.AddGathering(g); err != nil {
			t.Fatal(err)
		}
		if i%1000 == 999 || i == n-1 {
			if err := j.Flush(); err != nil {
				t.Fatal(err)
			}
		}
	}
	return j, n
}

// live runs a forwarder with what New gives it.
func live(t *testing.T, cfg Config, parts Parts) *Forwarder {
	t.Helper()
	f, err := New(cfg, parts)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- f.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	return f
}

func waitUntil(t *testing.T, f *Forwarder, what string, done func(s status.Forward) bool) {
	t.Helper()
	for end := time.Now().Add(3 * time.Minute); !done(f.Status()); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("waited for %s: %+v", what, f.Status())
		}
	}
}

// A backlog of 72 h, older than what the receiver holds, into the real thing,
// which is killed in the middle.
func TestThreeDaysIntoPrometheus(t *testing.T) {
	t.Cleanup(http.DefaultClient.CloseIdleConnections) // after Prometheus has ended
	prom := promtest.Start(t, promtest.Config{Receive: true, OutOfOrderWindow: "120h"})
	const series = 12
	span := 72 * time.Hour
	start := time.Now().Add(-span - time.Minute)
	j, n := filled(t, span, series)
	var used atomic.Int64
	cfg := Config{URL: prom.URL + "/api/v1/write", CatchUpBytes: 1 << 30, Relay: "stairwell"}
	parts := Parts{Source: prometheus.NewRegistry(), Backlog: j, Clock: pastClock{start}, Boot: "boot-1", Used: func(n int64, _ bool) { used.Add(n) }}

	// Something newer is there already, so that all of the backlog is out of order.
	newer, err := New(cfg, parts)
	if err != nil {
		t.Fatal(err)
	}
	defer newer.wire.transport.CloseIdleConnections()
	newest := join(typeGauge, []label{{nameLabel, "candlemark_newer"}})
	if o := newer.send.post.post(t.Context(), []sample{{newest, time.Now().UnixMilli(), 1}}); o.err != nil {
		t.Fatal(o.err)
	}

	f := live(t, cfg, parts)
	total := uint64(n * series)
	waitUntil(t, f, "a third", func(s status.Forward) bool { return s.Sent > total/3 })
	prom.Kill()
	waitUntil(t, f, "a failure", func(s status.Forward) bool { return s.LastError != "" })
	prom.Restart(t)
	waitUntil(t, f, "the rest", func(s status.Forward) bool { return s.Sent >= total })

	s := f.Status()
	if s.Sent != total || s.Refused+s.Expired+s.Undated+s.Duplicates > 0 || s.Bytes != used.Load()-newer.wire.moved.Load() {
		t.Errorf("status %+v; %d bytes were reported", s, used.Load())
	}
	for i := range series {
		got := prom.Stored(t, fmt.Sprintf("candlemark_past_%02d", i), "80h")
		if len(got) != n {
			t.Errorf("series %d: %d samples, want %d", i, len(got), n)
			continue
		}
		for k, p := range got {
			if want := start.Add(time.Duration(k) * 15 * time.Second).UnixMilli(); p.Milliseconds != want || p.Value != figure(k, i) {
				t.Fatalf("series %d, sample %d: %v at %d, want %v at %d", i, k, p.Value, p.Milliseconds, figure(k, i), want)
			}
		}
	}
	t.Logf("%d samples in %d requests, %d bytes, %.2f bytes a sample", s.Sent, s.Requests, s.Bytes, float64(s.Bytes)/float64(s.Sent))
}

// The words of the real thing when it is not open to the past.
func TestPrometheusWithoutAWindowIsToldOf(t *testing.T) {
	t.Cleanup(http.DefaultClient.CloseIdleConnections)
	for window, words := range map[string]string{"": "out of bounds", "1h": "too old sample"} {
		prom := promtest.Start(t, promtest.Config{Receive: true, OutOfOrderWindow: window})
		j, n := filled(t, 3*time.Hour, 2)
		cfg := Config{URL: prom.URL + "/api/v1/write", CatchUpBytes: 1 << 30, Relay: "stairwell"}
		parts := Parts{Source: prometheus.NewRegistry(), Backlog: j, Clock: pastClock{time.Now().Add(-12 * time.Hour)}, Boot: "boot-1"}
		first, err := New(cfg, parts)
		if err != nil {
			t.Fatal(err)
		}
		o := first.send.post.post(t.Context(), []sample{{join(typeGauge, []label{{nameLabel, "candlemark_newer"}}), time.Now().UnixMilli(), 1}})
		first.wire.transport.CloseIdleConnections()
		if o.err != nil {
			t.Fatal(o.err)
		}
		f := live(t, cfg, parts)
		waitUntil(t, f, "an end", func(s status.Forward) bool { return s.Sent+s.Refused == uint64(2*n) })
		if s := f.Status(); s.Refused == 0 || !strings.Contains(s.LastRefusal, words) || !strings.Contains(s.LastRefusal, outOfOrderRemedy) {
			t.Errorf("window %q: %+v", window, s)
		}
	}
}

// TLS for real: a certificate nobody vouches for is refused, and one that ca_file
// names is taken; the credentials arrive and are never repeated.
func TestTLSAndCredentials(t *testing.T) {
	dir := t.TempDir()
	var asked atomic.Value
	rx := &receiver{}
	server := httptest.NewUnstartedServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		asked.Store(r.Header.Get("Authorization"))
		resp, err := rx.RoundTrip(r)
		if err != nil {
			panic(http.ErrAbortHandler)
		}
		if r.Header.Get("Authorization") != "Bearer hunter2" {
			http.Error(w, "not with "+r.Header.Get("Authorization"), http.StatusForbidden)
			return
		}
		for name, v := range resp.Header {
			w.Header()[name] = v
		}
		w.WriteHeader(resp.StatusCode)
	}))
	server.TLS = &tls.Config{MinVersion: tls.VersionTLS12}
	server.Config.ErrorLog = nil
	server.StartTLS()
	defer server.Close()
	token := filepath.Join(dir, "token")
	write := func(path, text string) {
		t.Helper()
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write(token, "hunter3")
	ca := filepath.Join(dir, "ca.pem")
	write(ca, string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: server.Certificate().Raw})))
	cfg := Config{URL: server.URL + "/write", BearerTokenFile: token, Relay: "stairwell"}
	one := []sample{{join(typeGauge, []label{{nameLabel, "m"}}), 1, 1}}
	try := func() outcome {
		t.Helper()
		f, err := New(cfg, Parts{})
		if err != nil {
			t.Fatal(err)
		}
		defer f.wire.transport.CloseIdleConnections()
		return f.send.post.post(t.Context(), one)
	}
	if o := try(); o.verdict != again || !strings.Contains(o.err.Error(), "certificate") || asked.Load() != nil {
		t.Errorf("unknown certificate: %+v", o)
	}
	cfg.CAFile = ca
	if o := try(); o.verdict != misfit || strings.Contains(o.err.Error(), "hunter3") || !strings.Contains(o.err.Error(), "403") {
		t.Errorf("wrong token: %+v", o)
	}
	write(token, "hunter2\n")
	if o := try(); o.err != nil {
		t.Errorf("right token: %+v", o)
	}
	server.Close()
	if o := try(); o.verdict != again || !o.unsent {
		t.Errorf("nobody listens: %+v", o)
	}
}
