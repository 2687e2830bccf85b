package httpd

import (
	"bytes"
	_ "embed"
	"html/template"
	"net/http"
	"time"
)

//go:embed page.html
var pageHTML string // set by the compiler, never written

func parsePage() *template.Template {
	return template.Must(template.New("page").Parse(pageHTML))
}

// servePage renders the whole page before it sends the first byte, so that a
// fault gives an error and not half a page that looks whole.
func (s *Server) servePage(w http.ResponseWriter, _ *http.Request) {
	snap := s.view()
	alive, still := s.pulse.see(snap.Taken.Up)
	var b bytes.Buffer
	if err := s.page.Execute(&b, describe(snap, alive, still, time.Now())); err != nil {
		s.cfg.Log.Error("render page", "err", err)
		http.Error(w, "the page cannot be shown", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	// The status line has gone: a client that left is nobody to report to.
	_, _ = b.WriteTo(w)
}
