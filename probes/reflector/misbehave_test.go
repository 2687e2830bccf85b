package reflector

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/time/rate"

	"candlemark/probes"
)

// source gives endless bytes at a rate.
func source(bitS float64) http.Handler {
	l := rate.NewLimiter(rate.Limit(bitS/8), 32<<10)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", typeNoise)
		b := make([]byte, 16<<10)
		for l.WaitN(r.Context(), len(b)) == nil {
			if _, err := w.Write(b); err != nil {
				return
			}
		}
	})
}

// raw answers each connection by itself and tears all down at the end.
func raw(t *testing.T, serve func(net.Conn)) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			stop := context.AfterFunc(ctx, func() { c.Close() })
			go func() { defer stop(); defer c.Close(); serve(c) }()
		}
	}()
	t.Cleanup(func() { cancel(); l.Close(); <-done })
	return "http://" + l.Addr().String()
}

// small answers the idle requests as a reflector does and leaves the rest to then.
func small(then http.HandlerFunc) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == pathSmall {
			w.Write([]byte{'1'})
			return
		}
		then(w, r)
	})
}

func TestServersThatMisbehave(t *testing.T) {
	hung := raw(t, func(c net.Conn) { io.Copy(io.Discard, c) })
	closing := raw(t, func(net.Conn) {})
	dead, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	refusing := "http://" + dead.Addr().String()
	dead.Close()
	over := make(chan struct{})
	end := sync.OnceFunc(func() { close(over) })
	double := func(then http.HandlerFunc) string {
		s := httptest.NewServer(small(then))
		t.Cleanup(func() { end(); s.Close() })
		return s.URL
	}
	page := func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", "text/html")
		io.WriteString(w, strings.Repeat("<p>please sign in</p>", 10000))
	}
	for name, c := range map[string]struct {
		url      string
		up       bool
		want     string // in the error
		deadline time.Duration
	}{
		"hung":         {hung, false, "idle round trip", 0},
		"closing":      {closing, false, "idle round trip", 0},
		"refusing":     {refusing, false, "refused", 0},
		"signs in":     {double(page), false, "sign-in page", 0},
		"signs in, up": {double(page), true, "sign-in page", 0},
		"redirects": {double(func(w http.ResponseWriter, r *http.Request) {
			http.Redirect(w, r, "http://192.0.2.1/", http.StatusFound)
		}), false, "redirected", 0},
		"wrong token":       {double(func(w http.ResponseWriter, r *http.Request) { http.Error(w, "no", http.StatusUnauthorized) }), false, "401", 0},
		"a short page":      {double(func(w http.ResponseWriter, r *http.Request) { w.Write([]byte("hello")) }), false, "5 bytes", 0},
		"a short chunk":     {double(func(w http.ResponseWriter, r *http.Request) { w.Write([]byte("hello")); w.(http.Flusher).Flush() }), false, "5 bytes", 0},
		"answers at once":   {double(func(w http.ResponseWriter, r *http.Request) {}), true, "answered after", 0},
		"headers and hangs": {double(func(w http.ResponseWriter, r *http.Request) { w.(http.Flusher).Flush(); <-over }), false, "no test data", 2 * time.Second},
		"takes and hangs":   {double(func(w http.ResponseWriter, r *http.Request) { io.CopyN(io.Discard, r.Body, 1e6); <-over }), true, "stalled", 3 * time.Second},
		"vanishes": {double(func(w http.ResponseWriter, r *http.Request) {
			w.Write(make([]byte, 1e6))
			c, _, err := http.NewResponseController(w).Hijack()
			if err == nil {
				c.Close()
			}
		}), false, "", 0},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			deadline := max(c.deadline, 2*time.Second)
			begun := time.Now()
			r := probe(t, Config{Reflector: c.url, Token: testToken, Down: !c.up, Up: c.up, Deadline: deadline, MaxBytes: 50e6, Streams: 2})
			took := time.Since(begun)
			t.Logf("%v: %v, %d bytes", took, r.Err, r.Bytes)
			if c.want != "" && (r.Err == nil || !strings.Contains(r.Err.Error(), c.want)) {
				t.Errorf("error %v, want %q", r.Err, c.want)
			}
			if c.want != "" && r.Throughput != nil {
				t.Errorf("measured %+v", r.Throughput)
			}
			if limit := idleTimeout + deadline + reportTimeout + 2*time.Second; took > limit {
				t.Errorf("took %v, bound %v", took, limit)
			}
			if r.Bytes > 50e6 {
				t.Errorf("cost %d bytes", r.Bytes)
			}
		})
	}
}

func TestASlowDripIsMeasuredAsOneAndBounded(t *testing.T) {
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		for r.Context().Err() == nil {
			w.Write([]byte{0})
			w.(http.Flusher).Flush()
			time.Sleep(20 * ms)
		}
	}))
	defer s.Close()
	begun := time.Now()
	r := probe(t, Config{Source: s.URL, Down: true, Deadline: 3 * time.Second, Streams: 1})
	t.Logf("%+v %v", r.Throughput, r.Err)
	if took := time.Since(begun); took > 5*time.Second {
		t.Errorf("took %v", took)
	}
	if r.Err == nil && r.Throughput.Down > 10_000 {
		t.Errorf("%v bit/s of a drip of 400", r.Throughput.Down)
	}
}

func TestALyingUploadIsFoundOut(t *testing.T) {
	// Takes everything and tells of nothing.
	s := httptest.NewServer(small(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == pathReport {
			fmt.Fprint(w, `{"received_bytes":12}`)
			return
		}
		l := rate.NewLimiter(5e6, 64<<10) // bytes/s, so that it lasts
		b := make([]byte, 16<<10)
		for err := error(nil); err == nil; {
			_, err = io.ReadFull(r.Body, b)
			l.WaitN(context.Background(), len(b))
		}
	}))
	defer s.Close()
	r := probe(t, Config{Reflector: s.URL, Up: true, MaxBytes: 50e6})
	if r.Err == nil || !strings.Contains(r.Err.Error(), "the reflector took 12") || r.Throughput != nil {
		t.Errorf("%+v, %v", r.Throughput, r.Err)
	}
}

func TestAnInterruptedProbeEndsAtOnceAndTellsItsCost(t *testing.T) {
	_, web, packets := serve(t, ServerConfig{RateBitS: 20e6})
	p, err := New(Config{Name: "near", Section: probes.Hop, Reflector: web, Token: testToken, Down: true, Fixed: true, STAMP: stampTo(packets), Working: true})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancelCause(t.Context())
	time.AfterFunc(time.Second, func() { cancel(errors.New("shift change")) })
	begun := time.Now()
	r := p.Probe(ctx)
	if took := time.Since(begun); took > 1500*ms {
		t.Errorf("took %v", took)
	}
	if r.Err == nil || !strings.Contains(r.Err.Error(), "shift change") || r.Throughput != nil || r.Bytes < 100_000 {
		t.Errorf("%+v, %v, %d bytes", r.Throughput, r.Err, r.Bytes)
	}
}

func FuzzReport(f *testing.F) {
	f.Add(`{"received_bytes":1,"wire_sent_bytes":2,"retransmitted_bytes":1,"wire_known":true,"rtts_us":[1,2]}`)
	f.Add(`{"rtts_us":[-1]}`)
	f.Add(`[`)
	f.Fuzz(func(t *testing.T, text string) {
		var rep report
		if decodeReport(strings.NewReader(text), &rep) != nil {
			return
		}
		if rep.Received < 0 || rep.Retransmitted > rep.WireSent {
			t.Errorf("%+v", rep)
		}
		for _, us := range rep.RTTs {
			if us <= 0 {
				t.Errorf("round trip %d", us)
			}
		}
	})
}
