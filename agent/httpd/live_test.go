package httpd_test

import (
	"bufio"
	"compress/gzip"
	"context"
	"encoding/json"
	"io"
	"net"
	"net/http"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"

	"candlemark/agent/httpd"
	"candlemark/agent/status"
)

// served runs a server of what view gives until the test ends, or stop is called.
func served(t *testing.T, view func() status.Snapshot) (url string, stop func()) {
	t.Helper()
	s := httpd.New(httpd.Config{Listen: "127.0.0.1:0"}, noMetrics, view)
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx) }()
	<-s.Ready()
	var once atomic.Bool
	stop = func() {
		if once.Swap(true) {
			return
		}
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	}
	t.Cleanup(stop)
	return "http://" + s.Addr(), stop
}

// moving is an agent whose time goes on by a second whenever somebody looks.
func moving() func() status.Snapshot {
	var looks atomic.Int64
	return func() status.Snapshot {
		s := example()
		d := time.Duration(looks.Add(1)) * time.Second
		s.Taken.Up, s.Taken.Wall = s.Taken.Up+d, s.Taken.Wall.Add(d)
		return s
	}
}

type frame struct {
	Title string
	Parts map[string]string
	Said  string
	Trail int
}

func open(t *testing.T, url, encoding string) *http.Response {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, url+"/live", nil)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Accept-Encoding", encoding)
	resp, err := http.DefaultTransport.RoundTrip(req)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { resp.Body.Close() })
	return resp
}

// next reads one event's frame.
func next(t *testing.T, lines *bufio.Scanner) frame {
	t.Helper()
	for lines.Scan() {
		if data, ok := strings.CutPrefix(lines.Text(), "data: "); ok {
			var f frame
			if err := json.Unmarshal([]byte(data), &f); err != nil {
				t.Fatal(err)
			}
			return f
		}
	}
	t.Fatalf("the stream ended: %v", lines.Err())
	return frame{}
}

func scan(r io.Reader) *bufio.Scanner {
	lines := bufio.NewScanner(r)
	lines.Buffer(nil, 1<<20)
	return lines
}

func TestLiveSendsAllAndThenWhatChanged(t *testing.T) {
	for _, encoding := range []string{"identity", "gzip"} {
		t.Run(encoding, func(t *testing.T) {
			url, _ := served(t, moving())
			resp := open(t, url, encoding)
			h := resp.Header
			if resp.StatusCode != http.StatusOK || h.Get("Content-Type") != "text/event-stream; charset=utf-8" || h.Get("X-Accel-Buffering") != "no" || !strings.Contains(h.Get("Cache-Control"), "no-transform") {
				t.Fatalf("%d %v", resp.StatusCode, h)
			}
			var body io.Reader = resp.Body
			if encoding == "gzip" {
				z, err := gzip.NewReader(resp.Body)
				if err != nil {
					t.Fatal(err)
				}
				body = z
			}
			lines := scan(body)
			first, second := next(t, lines), next(t, lines)
			for _, part := range []string{"top", "do", "left", "alarms", "curve-0", "history"} {
				if !strings.Contains(first.Parts[part], `id="`+part+`"`) {
					t.Errorf("the first frame's part %s is %q", part, first.Parts[part])
				}
			}
			if !strings.HasPrefix(first.Said, "ACT SOON. Pack a Bring the next pack now.") || first.Title == "" {
				t.Errorf("says %q, title %q", first.Said, first.Title)
			}
			// A second later the time of day and the ages are others; the alarms are not.
			if second.Parts["top"] == "" || second.Parts["left"] == "" || second.Parts["alarms"] != "" || len(second.Parts) >= len(first.Parts) {
				t.Errorf("the second frame has %d parts of %d: %v", len(second.Parts), len(first.Parts), second.Parts)
			}
		})
	}
}

func TestLiveBeatsWhileNothingChanges(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		snap := example()
		snap.Targets = nil
		s := httpd.New(httpd.Config{}, noMetrics, func() status.Snapshot { return snap })
		resp, err := http.ReadResponse(bufio.NewReader(piped(t, s)), nil)
		if err != nil {
			t.Fatal(err)
		}
		lines := scan(resp.Body)
		first, second := next(t, lines), next(t, lines)
		if second.Trail == first.Trail {
			t.Error("the curve's first point is not told of")
		}
		begin := time.Now()
		for lines.Scan() && lines.Text() == "" {
		}
		if took := time.Since(begin); lines.Text() != ": nothing new" || took != 5*time.Second {
			t.Errorf("after %s came %q", took, lines.Text())
		}
	})
}

func TestLiveIsBoundedAndMakesRoom(t *testing.T) {
	url, _ := served(t, moving())
	var all []*http.Response
	for i := range 8 {
		resp := open(t, url, "identity")
		if resp.StatusCode != http.StatusOK {
			t.Fatalf("page %d: %d", i+1, resp.StatusCode)
		}
		all = append(all, resp)
	}
	over := open(t, url, "identity")
	if over.StatusCode != http.StatusServiceUnavailable || over.Header.Get("Retry-After") == "" {
		t.Errorf("one too many: %d %v", over.StatusCode, over.Header)
	}
	// It is not left without: it asks.
	resp, err := http.Get(url + "/now")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	var f frame
	if err := json.NewDecoder(resp.Body).Decode(&f); err != nil || f.Parts["do"] == "" {
		t.Errorf("asking: %v, %d parts", err, len(f.Parts))
	}
	all[0].Body.Close()
	for end := time.Now().Add(10 * time.Second); open(t, url, "identity").StatusCode != http.StatusOK; time.Sleep(50 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("a page that was closed leaves no room")
		}
	}
}

func TestOpenPagesDoNotKeepTheAgentFromEnding(t *testing.T) {
	defer goleak.VerifyNone(t, goleak.IgnoreCurrent())
	url, stop := served(t, moving())
	resp := open(t, url, "identity")
	next(t, scan(resp.Body))
	stop()
	// One that has to be cut off, after what a request gets to finish, ends in the middle.
	if _, err := io.ReadAll(resp.Body); err != nil {
		t.Errorf("the stream does not end in order: %v", err)
	}
	resp.Body.Close()
	http.DefaultTransport.(*http.Transport).CloseIdleConnections()
}

// pipes is a listener whose connections have no buffer at all.
type pipes struct {
	conns chan net.Conn
	done  chan struct{}
}

func (p pipes) Accept() (net.Conn, error) {
	select {
	case c := <-p.conns:
		return c, nil
	case <-p.done:
		return nil, net.ErrClosed
	}
}
func (p pipes) Close() error   { close(p.done); return nil }
func (p pipes) Addr() net.Addr { return &net.TCPAddr{} }

// piped opens /live of a server that runs until the test ends.
func piped(t *testing.T, s *httpd.Server) net.Conn {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	l := pipes{make(chan net.Conn), make(chan struct{})}
	srv := &http.Server{Handler: s.Handler()}
	go s.Watch(ctx)
	go srv.Serve(l)
	near, far := net.Pipe()
	t.Cleanup(func() { cancel(); near.Close(); srv.Close() })
	l.conns <- far
	if _, err := io.WriteString(near, "GET /live HTTP/1.1\r\nHost: relay\r\n\r\n"); err != nil {
		t.Fatal(err)
	}
	return near
}

func TestASlowPageIsDropped(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := httpd.New(httpd.Config{}, noMetrics, moving())
		piped(t, s)
		time.Sleep(9 * time.Second)
		if p := s.Pages(); p.Open != 1 || p.Dropped != 0 {
			t.Errorf("after 9 s: %+v, want one open page", p)
		}
		time.Sleep(3 * time.Second)
		if p := s.Pages(); p.Open != 0 || p.Dropped != 1 {
			t.Errorf("after 12 s: %+v, want one dropped page", p)
		}
	})
}
