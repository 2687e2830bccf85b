package httpd

import (
	"bytes"
	_ "embed"
	"encoding/json"
	"html/template"
	"net/http"
)

//go:embed page.html
var pageHTML string // set by the compiler, never written

func parsePage() *template.Template {
	return template.Must(template.New("page").Parse(pageHTML))
}

// servePage renders the whole page before it sends the first byte, so that a
// fault gives an error and not half a page that looks whole.
func (s *Server) servePage(w http.ResponseWriter, r *http.Request) {
	p := s.look()
	p.CanAct, p.CannotAct = s.mayAct(r)
	var b bytes.Buffer
	if err := s.page.Execute(&b, p); err != nil {
		s.broken(w, err)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	send(w, r, b.Bytes(), func() []byte { return squeeze(b.Bytes()) })
}

func (s *Server) broken(w http.ResponseWriter, err error) {
	s.cfg.Log.Error("render page", "err", err)
	http.Error(w, "the page cannot be shown", http.StatusInternalServerError)
}

func (s *Server) sendJSON(w http.ResponseWriter, r *http.Request, v any) {
	b, err := json.Marshal(v)
	if err != nil {
		s.broken(w, err)
		return
	}
	w.Header().Set("Content-Type", "application/json; charset=utf-8")
	send(w, r, b, func() []byte { return squeeze(b) })
}
