package control

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"unicode"

	"candlemark/agent/feed"
	"candlemark/agent/journal"
)

func (s *Server) routes() http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET "+pathSnapshot, s.snapshot)
	mux.HandleFunc("POST "+pathSwap, s.swap)
	mux.HandleFunc("POST "+pathNote, s.note)
	mux.HandleFunc("POST "+pathRecords, s.records)
	mux.HandleFunc("POST "+pathFeed, s.feed)
	mux.HandleFunc("GET "+pathIncident, s.incident)
	mux.HandleFunc("POST "+pathIncident, s.setIncident)
	return mux
}

func (s *Server) snapshot(w http.ResponseWriter, _ *http.Request) {
	snap := s.handler.Snapshot()
	snap.Targets = slices.Clone(snap.Targets)
	for i := range snap.Targets {
		snap.Targets[i].Last.Err = nil // an error has no JSON; its text is in LastError
	}
	answer(w, snap)
}

func (s *Server) swap(w http.ResponseWriter, r *http.Request) {
	var body swapBody
	if !read(w, r, &body) {
		return
	}
	if packs := s.handler.Packs(); !slices.Contains(packs, body.Pack) {
		refuse(w, fmt.Errorf("no pack is named %q; the packs are: %s", body.Pack, strings.Join(packs, ", ")))
		return
	}
	if body.Mark != "" {
		if err := wording("mark", body.Mark, maxMark); err != nil {
			refuse(w, err)
			return
		}
	}
	done(w, s.handler.Swap(body.Pack, body.Mark, peer(r)))
}

func (s *Server) note(w http.ResponseWriter, r *http.Request) {
	var body noteBody
	if !read(w, r, &body) {
		return
	}
	body.Text = strings.TrimSpace(body.Text)
	if err := wording("note", body.Text, maxText); err != nil {
		refuse(w, err)
		return
	}
	done(w, s.handler.Note(body.Text, peer(r)))
}

func (s *Server) feed(w http.ResponseWriter, r *http.Request) {
	var body feed.Request
	if !read(w, r, &body) {
		return
	}
	words, err := s.handler.Feed(body, peer(r))
	if err != nil {
		refuse(w, err)
		return
	}
	answer(w, wordsBody{words})
}

func (s *Server) records(w http.ResponseWriter, r *http.Request) {
	var f journal.Filter
	if !read(w, r, &f) {
		return
	}
	if f.Limit <= 0 || f.Limit > maxRecords {
		f.Limit = maxRecords
	}
	records, err := s.handler.Records(f)
	if err != nil {
		fail(w, http.StatusInternalServerError, err)
		return
	}
	answer(w, records)
}

func (s *Server) incident(w http.ResponseWriter, _ *http.Request) {
	incident, err := s.handler.Incident()
	if err != nil {
		fail(w, http.StatusInternalServerError, err)
		return
	}
	answer(w, incident)
}

func (s *Server) setIncident(w http.ResponseWriter, r *http.Request) {
	var body incidentBody
	if !read(w, r, &body) {
		return
	}
	incident, err := s.handler.SetIncident(body.Do, body.Given, peer(r))
	if err != nil {
		refuse(w, err)
		return
	}
	answer(w, incident)
}

// wording says whether text may go into the record.
func wording(what, text string, most int) error {
	switch {
	case text == "":
		return fmt.Errorf("the %s is empty", what)
	case len(text) > most:
		return fmt.Errorf("the %s is %d bytes long; %d are taken", what, len(text), most)
	case strings.ContainsFunc(text, func(r rune) bool { return unicode.IsControl(r) && r != '\n' && r != '\t' }):
		return fmt.Errorf("the %s holds characters that would upset a terminal", what)
	}
	return nil
}

func peer(r *http.Request) string {
	who, _ := r.Context().Value(peerKey{}).(string)
	return who
}

// read takes the request's body into v, or answers what is wrong with it.
func read(w http.ResponseWriter, r *http.Request, v any) bool {
	err := json.NewDecoder(http.MaxBytesReader(w, r.Body, maxBody)).Decode(v)
	if err == nil {
		return true
	}
	status := http.StatusBadRequest
	if large := (*http.MaxBytesError)(nil); errors.As(err, &large) {
		status = http.StatusRequestEntityTooLarge
	}
	fail(w, status, fmt.Errorf("request: %w", err))
	return false
}

func done(w http.ResponseWriter, err error) {
	if err != nil {
		refuse(w, err)
		return
	}
	w.WriteHeader(http.StatusNoContent)
}

func refuse(w http.ResponseWriter, err error) { fail(w, http.StatusUnprocessableEntity, err) }

func fail(w http.ResponseWriter, code int, err error) {
	body, _ := json.Marshal(errorBody{err.Error()}) // a string always has JSON
	write(w, code, body)
}

// answer encodes before it writes, so that a value that has no JSON becomes an
// error and not half an answer.
func answer(w http.ResponseWriter, v any) {
	body, err := json.Marshal(v)
	if err != nil {
		fail(w, http.StatusInternalServerError, err)
		return
	}
	write(w, http.StatusOK, body)
}

func write(w http.ResponseWriter, code int, body []byte) {
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(code)
	_, _ = w.Write(body) // a client that went away has nobody to tell
}
