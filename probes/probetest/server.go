// Package probetest holds the far end that the tests of probes measure against: an
// HTTP server on loopback in the layout that speedtest-go asks for
// (/speedtest/latency.txt, random1000x1000.jpg, upload.php), which can be told to
// misbehave in the ways real servers and networks do.
//
// It is a double for tests; it limits neither bytes nor clients.
package probetest

import (
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

// Mode is a way to behave.
type Mode int

// The modes of a Server. All but OK, NotFound, SignIn and Hang answer the idle
// round trips in good order, so that the transfer itself is what fails.
const (
	OK          Mode = iota
	NotFound         // every answer is 404
	NoFiles          // test data and uploads are 404, each with a long error page
	SignIn           // every answer is a redirect, as a sign-in portal gives
	Portal           // every answer is 200 with a page of HTML
	Short            // test data are 200 with a few bytes; uploads are answered unread
	Hang             // requests are taken and never answered
	HangData         // as Hang, but idle round trips are answered
	Stall            // a transfer stops after 64 KiB
	Drip             // a download comes 10 bytes at a time, every 50 ms
	Vanish           // the server is gone for good after VanishAfter bytes
	Paced            // BytesPerSecond each way and connection
	EarlyAnswer      // uploads are answered 200 before they are read
)

const (
	// BytesPerSecond is the rate of mode Paced, for each request.
	BytesPerSecond = 1_000_000
	// VanishAfter is what mode Vanish sends or takes first.
	VanishAfter = 300_000

	fileBytes = 2_000_000
	pieceSize = 20_000
)

// Server is a far end on loopback.
type Server struct {
	URL string

	mode     Mode
	server   *httptest.Server
	blob     []byte
	over     chan struct{}
	vanish   sync.Once
	requests atomic.Int64
	sent     atomic.Int64
	taken    atomic.Int64
}

// NewServer starts a server that ends with the test.
func NewServer(t testing.TB, mode Mode) *Server {
	t.Helper()
	s := &Server{mode: mode, blob: make([]byte, fileBytes), over: make(chan struct{})}
	s.server = httptest.NewUnstartedServer(http.HandlerFunc(s.serve))
	s.server.Config.ConnState = func(conn net.Conn, state http.ConnState) {
		if tcp, ok := conn.(*net.TCPConn); ok && state == http.StateNew && mode == Paced {
			_ = tcp.SetReadBuffer(64 << 10) // or loopback takes megabytes at once
			_ = tcp.SetWriteBuffer(64 << 10)
		}
	}
	s.server.Start()
	s.URL = s.server.URL
	t.Cleanup(func() {
		close(s.over)
		s.server.CloseClientConnections()
		s.server.Close()
	})
	return s
}

// RefusingURL is the URL of a port on loopback that nobody listens on.
func RefusingURL(t testing.TB) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return "http://" + l.Addr().String()
}

// Requests is how many requests came.
func (s *Server) Requests() int64 { return s.requests.Load() }

// Sent is how many bytes of test data were written to clients.
func (s *Server) Sent() int64 { return s.sent.Load() }

// Taken is how many bytes of uploads were read from clients.
func (s *Server) Taken() int64 { return s.taken.Load() }

func (s *Server) serve(w http.ResponseWriter, r *http.Request) {
	s.requests.Add(1)
	switch s.mode {
	case NotFound:
		http.NotFound(w, r)
		return
	case SignIn:
		http.Redirect(w, r, "/sign-in", http.StatusFound)
		return
	case Portal:
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		fmt.Fprintf(w, "<html>%s</html>", strings.Repeat("please sign in ", 20_000))
		return
	case Hang:
		s.wait(r)
		return
	}
	switch {
	case strings.HasSuffix(r.URL.Path, "/latency.txt"):
		fmt.Fprintln(w, "test=test")
	case strings.Contains(r.URL.Path, "/random"):
		s.download(w, r)
	case strings.HasSuffix(r.URL.Path, "/upload.php"):
		s.upload(w, r)
	default:
		http.NotFound(w, r)
	}
}

// wait blocks until the client or the test has gone.
func (s *Server) wait(r *http.Request) {
	select {
	case <-s.over:
	case <-r.Context().Done():
	}
}

func (s *Server) pause(d time.Duration) {
	select {
	case <-s.over:
	case <-time.After(d):
	}
}

func (s *Server) download(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Content-Type", "image/jpeg")
	write := func(p []byte) bool {
		n, err := w.Write(p)
		s.sent.Add(int64(n))
		w.(http.Flusher).Flush()
		return err == nil
	}
	switch s.mode {
	case NoFiles:
		w.Header().Set("Content-Type", "text/plain")
		w.WriteHeader(http.StatusNotFound)
		write(s.blob[:500_000])
		return
	case Short:
		write(s.blob[:100]) // chunked: no length is announced
		return
	case HangData:
		s.wait(r)
		return
	}
	w.Header().Set("Content-Length", fmt.Sprint(len(s.blob)))
	switch s.mode {
	case Stall:
		write(s.blob[:64<<10])
		s.wait(r)
	case Drip:
		for write(s.blob[:10]) && !s.gone(r) {
			s.pause(50 * time.Millisecond)
		}
	case Vanish:
		write(s.blob[:VanishAfter])
		s.disappear()
	case Paced:
		s.paced(r, int64(len(s.blob)), func() bool { return write(s.blob[:pieceSize]) })
	default:
		write(s.blob)
	}
}

func (s *Server) upload(w http.ResponseWriter, r *http.Request) {
	take := func(most int64) bool {
		n, err := io.CopyN(io.Discard, r.Body, most)
		s.taken.Add(n)
		return err == nil
	}
	switch s.mode {
	case NoFiles:
		take(r.ContentLength)
		w.WriteHeader(http.StatusNotFound)
		return
	case HangData:
		s.wait(r)
		return
	case Short, EarlyAnswer:
		fmt.Fprint(w, "size=500")
		return
	case Stall:
		take(64 << 10)
		s.wait(r)
		return
	case Vanish:
		take(VanishAfter)
		s.disappear()
		return
	case Paced:
		s.paced(r, r.ContentLength, func() bool { return take(pieceSize) })
	default:
		take(r.ContentLength)
	}
	fmt.Fprint(w, "size=500")
}

func (s *Server) gone(r *http.Request) bool {
	select {
	case <-s.over:
		return true
	default:
		return r.Context().Err() != nil
	}
}

// paced moves size bytes in pieces, each at its due time.
func (s *Server) paced(r *http.Request, size int64, piece func() bool) {
	start := time.Now()
	for moved := int64(0); moved < size && !s.gone(r); moved += pieceSize {
		if !piece() {
			return
		}
		due := time.Duration(float64(moved+pieceSize) / BytesPerSecond * float64(time.Second))
		s.pause(time.Until(start.Add(due)))
	}
}

// disappear ends the listener and every connection, as a cut link or a crashed
// server does.
func (s *Server) disappear() {
	s.vanish.Do(func() {
		_ = s.server.Listener.Close()
		go s.server.CloseClientConnections() // which waits for this handler
	})
}
