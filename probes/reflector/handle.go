package reflector

import (
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"strconv"
	"time"
)

// The paths of the HTTP part. All want the token.
const (
	pathSource = "/v1/source" // GET ?bytes=N&run=ID: N bytes of noise
	pathSink   = "/v1/sink"   // POST ?run=ID: takes a body and counts it
	pathSmall  = "/v1/small"  // GET: one byte
	pathReport = "/v1/report" // GET ?run=ID: what the server saw of a run

	headerCongestion = "Candlemark-Congestion"
	typeNoise        = "application/octet-stream"
)

func (s *Server) handle(w http.ResponseWriter, r *http.Request) {
	s.note(func(c *ServerCounts) { c.Requests++ })
	if !s.authorised(r) {
		s.refuse(w, http.StatusUnauthorized, "the token is missing or not this reflector's")
		return
	}
	w.Header().Set("Cache-Control", "no-store")
	method := map[string]string{pathSource: http.MethodGet, pathSmall: http.MethodGet, pathReport: http.MethodGet, pathSink: http.MethodPost}[r.URL.Path]
	switch {
	case method == "":
		s.refuse(w, http.StatusNotFound, "no such path")
	case r.Method != method:
		s.refuse(w, http.StatusMethodNotAllowed, "use "+method)
	case r.URL.Path == pathSmall:
		w.Header().Set("Content-Type", typeNoise)
		_, _ = w.Write([]byte{'1'}) // the connection's end shows at the next request
	case r.URL.Path == pathReport:
		s.report(w, r)
	default:
		s.transfer(w, r)
	}
}

// refuse answers shortly, and ends a connection whose body nobody will read.
func (s *Server) refuse(w http.ResponseWriter, status int, text string) {
	s.note(func(c *ServerCounts) { c.Refused++ })
	w.Header().Set("Connection", "close")
	http.Error(w, text, status)
}

func (s *Server) transfer(w http.ResponseWriter, r *http.Request) {
	select {
	case s.places <- struct{}{}:
		defer func() { <-s.places }()
	default:
		s.note(func(c *ServerCounts) { c.Limited++ })
		s.refuse(w, http.StatusServiceUnavailable, "too many transfers at once")
		return
	}
	conn, _ := r.Context().Value(connKey{}).(*tuned)
	if conn == nil {
		s.refuse(w, http.StatusInternalServerError, "no connection")
		return
	}
	w.Header().Set(headerCongestion, conn.congestion)
	run := s.runs.of(r.URL.Query().Get("run"), time.Now())
	if r.URL.Path == pathSource {
		s.source(w, r, conn, run)
	} else {
		s.sink(w, r, run)
	}
}

func (s *Server) source(w http.ResponseWriter, r *http.Request, conn *tuned, run *run) {
	asked, err := strconv.ParseInt(r.URL.Query().Get("bytes"), 10, 64)
	if err != nil || asked < 1 {
		s.refuse(w, http.StatusBadRequest, "bytes is not a number above 0")
		return
	}
	n := s.grant(min(asked, s.cfg.MaxBytes))
	if n <= 0 {
		s.note(func(c *ServerCounts) { c.Limited++ })
		s.refuse(w, http.StatusTooManyRequests, "the day's bytes are used up")
		return
	}
	w.Header().Set("Content-Type", typeNoise)
	w.Header().Set("Content-Length", strconv.FormatInt(n, 10))
	control := http.NewResponseController(w)
	begun, sampled := time.Now(), time.Now()
	told := newTeller(conn.Conn, run)
	var sent int64
	for sent < n && r.Context().Err() == nil && time.Since(begun) < longestRequest {
		part := min(piece, n-sent)
		if l := s.rates["source"]; l != nil && l.WaitN(r.Context(), int(part)) != nil {
			break
		}
		_ = control.SetWriteDeadline(time.Now().Add(longestStall)) // without, a write still ends with the server
		at := sent % int64(len(s.random)-piece)
		k, err := w.Write(s.random[at : at+part])
		sent += int64(k)
		if err != nil {
			break
		}
		if now := time.Now(); now.Sub(sampled) >= sampleEvery {
			sampled = now
			told.tell()
		}
	}
	_ = control.SetWriteDeadline(time.Time{}) // the next request on the connection has its own
	told.tell()
	s.giveBack(n - sent)
	s.note(func(c *ServerCounts) { c.BytesOut += sent })
}

func (s *Server) sink(w http.ResponseWriter, r *http.Request, run *run) {
	control := http.NewResponseController(w)
	begun := time.Now()
	buf := make([]byte, piece)
	var got int64
	var err error
	for err == nil && time.Since(begun) < longestRequest {
		room := s.grant(min(piece, s.cfg.MaxBytes-got))
		if room <= 0 {
			s.note(func(c *ServerCounts) { c.Limited++ })
			break
		}
		_ = control.SetReadDeadline(time.Now().Add(longestStall)) // without, a read still ends with the server
		var k int
		k, err = r.Body.Read(buf[:room])
		got += int64(k)
		s.giveBack(room - int64(k))
		run.received(int64(k))
		if l := s.rates["sink"]; l != nil && k > 0 && l.WaitN(r.Context(), k) != nil {
			break
		}
	}
	s.note(func(c *ServerCounts) { c.BytesIn += got })
	if !errors.Is(err, io.EOF) {
		s.refuse(w, http.StatusRequestEntityTooLarge, "more than this reflector takes, or too slow")
		return
	}
	w.WriteHeader(http.StatusNoContent)
}

func (s *Server) report(w http.ResponseWriter, r *http.Request) {
	rep, ok := s.runs.report(r.URL.Query().Get("run"))
	if !ok {
		s.refuse(w, http.StatusNotFound, "no such run")
		return
	}
	w.Header().Set("Content-Type", "application/json")
	_ = json.NewEncoder(w).Encode(rep) // the reader sees a broken answer by itself
}
