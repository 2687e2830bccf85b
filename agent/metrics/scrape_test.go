package metrics

import (
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"
)

// A rendering is shared by those who ask meanwhile for the same form, and by nobody
// who asks for another or later.
func TestParallelScrapesShareOneRendering(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var rendered atomic.Int32
		s := &shared{render: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			rendered.Add(1)
			time.Sleep(time.Second)
			w.Header().Set("Content-Encoding", r.Header.Get("Accept-Encoding"))
			_, _ = io.WriteString(w, strings.Repeat("m", 10))
		})}
		get := func(method, encoding string) *httptest.ResponseRecorder {
			r := httptest.NewRequest(method, "/metrics", nil)
			r.Header.Set("Accept-Encoding", encoding)
			w := httptest.NewRecorder()
			s.ServeHTTP(w, r)
			return w
		}
		var all sync.WaitGroup
		for i := range 300 {
			all.Go(func() {
				encoding, want := "deflate, gzip;q=1.0", "gzip"
				if i%3 == 0 {
					encoding, want = "gzip;q=0", "identity"
				}
				if w := get(http.MethodGet, encoding); w.Code != http.StatusOK || w.Body.Len() != 10 || w.Header().Get("Content-Encoding") != want {
					t.Errorf("%d %q as %q", w.Code, w.Body, w.Header())
				}
			})
		}
		all.Wait()
		if n := rendered.Load(); n != 2 {
			t.Errorf("rendered %d times for two forms", n)
		}
		get(http.MethodGet, "gzip")
		if n := rendered.Load(); n != 2 {
			t.Errorf("rendered anew at once")
		}
		time.Sleep(fresh)
		get(http.MethodGet, "gzip")
		if n := rendered.Load(); n != 3 {
			t.Errorf("an old rendering was given")
		}
	})
}
