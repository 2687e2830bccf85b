package metrics

import (
	"bytes"
	"maps"
	"net/http"
	"strings"
	"sync"
	"time"

	"github.com/prometheus/common/expfmt"
)

// fresh is for how long a rendering serves those who ask next. The agent decides once
// a second; nobody sees more by looking more often.
const fresh = 100 * time.Millisecond

// shared renders the metrics once for all who ask for the same form meanwhile or
// within fresh, and holds nobody up while they are sent: a client that does not read keeps its own
// connection, not one of the renderings.
type shared struct {
	render http.Handler

	mu     sync.Mutex
	newest map[form]*rendering
}

// form is all in which one rendering differs from another.
type form struct {
	format  expfmt.Format
	zipped  bool
	headers bool // a HEAD wants no body
}

type rendering struct {
	done   chan struct{}
	ended  time.Time // zero while it runs
	header http.Header
	code   int
	body   bytes.Buffer
}

func (r *rendering) Header() http.Header         { return r.header }
func (r *rendering) WriteHeader(code int)        { r.code = code }
func (r *rendering) Write(b []byte) (int, error) { return r.body.Write(b) }

// ServeHTTP implements http.Handler.
func (s *shared) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	f := form{expfmt.NegotiateAccept(r.Header, expfmt.DefaultOpenMetricsAcceptedFormats()...), takesGzip(r.Header), r.Method == http.MethodHead}
	s.mu.Lock()
	if s.newest == nil {
		s.newest = map[form]*rendering{}
	}
	out := s.newest[f]
	mine := out == nil || !out.ended.IsZero() && time.Since(out.ended) >= fresh
	if mine {
		out = &rendering{done: make(chan struct{}), header: http.Header{}, code: http.StatusOK}
		s.newest[f] = out
	}
	s.mu.Unlock()
	if mine {
		s.run(f, out, r)
	}
	select {
	case <-out.done:
	case <-r.Context().Done():
		return
	}
	maps.Copy(w.Header(), out.header)
	w.WriteHeader(out.code)
	_, _ = w.Write(out.body.Bytes()) // a client that went away has nobody to tell
}

func (s *shared) run(f form, out *rendering, r *http.Request) {
	defer func() {
		s.mu.Lock()
		out.ended = time.Now()
		s.mu.Unlock()
		close(out.done)
	}()
	plain := r.Clone(r.Context())
	plain.Header.Set("Accept-Encoding", "identity")
	if f.zipped {
		plain.Header.Set("Accept-Encoding", "gzip")
	}
	s.render.ServeHTTP(out, plain)
}

// takesGzip reads what of Accept-Encoding (RFC 9110, 12.5.3) matters here.
func takesGzip(h http.Header) bool {
	for part := range strings.SplitSeq(h.Get("Accept-Encoding"), ",") {
		coding, weight, _ := strings.Cut(part, ";")
		if strings.TrimSpace(coding) == "gzip" {
			q := strings.ReplaceAll(weight, " ", "")
			return q != "q=0" && q != "q=0.0" && q != "q=0.00" && q != "q=0.000"
		}
	}
	return false
}
