package httpd

import (
	"encoding/json"
	"net/http"
	"sync"
	"time"

	"candlemark/agent/alarm"
)

// stuckAfter is how long the agent's time line may stand still. The step is
// fed by every sensor reading and by a tick of its own, each a second or so apart.
const stuckAfter = 15 * time.Second

// pulse notices when the agent's time line stands still. It compares times of
// this process only, so a wall clock that jumps does not disturb it.
type pulse struct {
	mu    sync.Mutex
	up    time.Duration
	moved time.Time // keeps its monotonic reading
}

func newPulse() *pulse { return &pulse{moved: time.Now(), up: -1} }

// see takes the time line as it stands now and says whether it still moves.
func (p *pulse) see(up time.Duration) (alive bool, still time.Duration) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if up != p.up {
		p.up, p.moved = up, time.Now()
	}
	still = time.Since(p.moved)
	return still < stuckAfter, still
}

// Health is the agent's answer to "are you working". It is about the agent, not
// about the pack or the link: those have alarms.
type Health struct {
	OK      bool     `json:"ok"`
	Reasons []string `json:"reasons"` // why not OK, in words for people; empty when OK
	Notes   []string `json:"notes"`   // worth knowing, but no fault of the agent
}

// Health looks at the agent now.
func (s *Server) Health() Health {
	snap := s.view()
	alive, still := s.pulse.see(snap.Taken.Up)
	h := Health{Reasons: []string{}, Notes: []string{}}
	if !alive {
		h.Reasons = append(h.Reasons, "the agent has decided nothing for "+about(still)+": restart it")
	}
	for _, p := range snap.Packs {
		switch {
		case !p.ReadingKnown:
			h.Reasons = append(h.Reasons, "pack "+p.Name+": no reading yet"+because(p.LastError))
		case p.Stale:
			h.Reasons = append(h.Reasons, "pack "+p.Name+": no reading for "+about(snap.Taken.Up-p.ReadingUp)+because(p.LastError))
		}
	}
	if e := snap.Journal.LastError; e != "" {
		h.Reasons = append(h.Reasons, "the journal cannot be written"+because(e))
	}
	if !snap.ClockSet {
		h.Notes = append(h.Notes, "the board's clock is not set: times of day are not to be trusted")
	}
	for _, r := range snap.Receivers {
		if r.LastError != "" {
			h.Notes = append(h.Notes, "alarms do not reach "+r.Name+because(r.LastError))
		}
	}
	for _, a := range snap.Alarms {
		if a.Severity == alarm.Critical {
			h.Notes = append(h.Notes, "alarm: "+a.Title)
		}
	}
	h.OK = len(h.Reasons) == 0
	return h
}

func because(e string) string {
	if e == "" {
		return ""
	}
	return ": " + e
}

func (s *Server) serveHealth(w http.ResponseWriter, _ *http.Request) {
	h := s.Health()
	w.Header().Set("Content-Type", "application/json; charset=utf-8")
	if !h.OK {
		w.WriteHeader(http.StatusServiceUnavailable)
	}
	enc := json.NewEncoder(w)
	enc.SetIndent("", "  ")
	// The status line has gone: a client that left is nobody to report to.
	_ = enc.Encode(h)
}
