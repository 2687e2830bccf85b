package control

import (
	"errors"
	"net/http"
	"slices"
	"time"

	"candlemark/agent/action"
	"candlemark/agent/journal"
)

func (s *Server) routes() http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET "+pathSnapshot, s.snapshot)
	mux.HandleFunc("POST "+pathRecords, s.records)
	mux.HandleFunc("GET "+pathSurveys, s.surveys)
	mux.HandleFunc("POST "+pathTest, s.testAlarms)
	mux.HandleFunc("GET "+pathIncident, s.incident)
	mux.HandleFunc("POST "+pathIncident, s.setIncident)
	mux.HandleFunc("POST "+pathActions+"{name}", func(w http.ResponseWriter, r *http.Request) {
		action.Serve(w, r, s.handler, r.PathValue("name"), peer(r))
	})
	return mux
}

func (s *Server) snapshot(w http.ResponseWriter, _ *http.Request) {
	snap := s.handler.Snapshot()
	snap.Targets = slices.Clone(snap.Targets)
	for i := range snap.Targets {
		snap.Targets[i].Last.Err = nil // an error has no JSON; its text is in LastError
	}
	action.Reply(w, snap)
}

func (s *Server) records(w http.ResponseWriter, r *http.Request) {
	var f journal.Filter
	if !action.Read(w, r, maxBody, &f) {
		return
	}
	if f.Limit <= 0 || f.Limit > maxRecords {
		f.Limit = maxRecords
	}
	records, err := s.handler.Records(f)
	if err != nil {
		action.Fail(w, http.StatusInternalServerError, err)
		return
	}
	action.Reply(w, records)
}

func (s *Server) surveys(w http.ResponseWriter, _ *http.Request) {
	records, err := s.handler.Surveys()
	if err != nil {
		action.Fail(w, http.StatusInternalServerError, err)
		return
	}
	action.Reply(w, records)
}

// testAlarms takes longer than other requests may.
func (s *Server) testAlarms(w http.ResponseWriter, r *http.Request) {
	c := http.NewResponseController(w)
	until := time.Now().Add(testTime)
	if err := errors.Join(c.SetReadDeadline(until), c.SetWriteDeadline(until)); err != nil {
		action.Fail(w, http.StatusInternalServerError, err)
		return
	}
	trials, err := s.handler.TestAlarms(r.Context(), peer(r))
	if err != nil {
		action.Refuse(w, err)
		return
	}
	action.Reply(w, trials)
}

func (s *Server) incident(w http.ResponseWriter, _ *http.Request) {
	incident, err := s.handler.Incident()
	if err != nil {
		action.Fail(w, http.StatusInternalServerError, err)
		return
	}
	action.Reply(w, incident)
}

func (s *Server) setIncident(w http.ResponseWriter, r *http.Request) {
	var body incidentBody
	if !action.Read(w, r, maxBody, &body) {
		return
	}
	incident, err := s.handler.SetIncident(body.Do, body.Given, peer(r))
	if err != nil {
		action.Refuse(w, err)
		return
	}
	action.Reply(w, incident)
}

func peer(r *http.Request) string {
	who, _ := r.Context().Value(peerKey{}).(string)
	return who
}
