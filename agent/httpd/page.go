package httpd

import (
	"net/http"
	"time"
)

func (s *Server) servePage(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
}

// about gives a duration in words: "40 s", "12 min", "3 h 05 min".
func about(d time.Duration) string {
	return d.Round(time.Second).String()
}
