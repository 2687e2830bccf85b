package httpd

import (
	"bytes"
	"fmt"
	"net/http"
	"time"
)

// frame is everything that changes on the page, as of one moment: the page's own
// parts by the id of their element, rendered by the page's own template.
type frame struct {
	Title string            `json:"title"`
	Parts map[string]string `json:"parts"`
	Said  string            `json:"said"`  // what a screen reader is told when it changes
	Trail int               `json:"trail"` // another figure than before: the plots have something new
}

// parts are the templates that are parts of the page, beside one for each curve.
var parts = [...]string{"top", "do", "left", "feed", "good", "way", "alarms", "history", "survey", "figures", "links", "agent"}

// look describes the agent as it is now.
func (s *Server) look() page {
	snap := s.view()
	alive, still := s.pulse.see(snap.Taken.Up)
	p := describe(snap, alive, still, time.Now())
	p.Curves, p.History = describeCurves(s.trails.curves(&snap), &snap)
	if s.cfg.Surveys != nil {
		v := describeSurvey(snap.Survey)
		v.Result, v.ResultFrom = s.surveys.of(snap.Survey, s.cfg.Surveys)
		p.Survey = &v
	}
	return p
}

// render makes the newest frame.
func (s *Server) render() (*frame, error) {
	p := s.look()
	f := &frame{Title: p.Headline + " – " + p.Relay, Parts: map[string]string{}, Said: p.Do.Word, Trail: s.trails.added()}
	for _, l := range p.Do.Lines {
		f.Said += ". " + l.Where + " " + l.First
	}
	var b bytes.Buffer
	one := func(id, name string, data any) error {
		b.Reset()
		if err := s.page.ExecuteTemplate(&b, name, data); err != nil {
			return err
		}
		f.Parts[id] = b.String()
		return nil
	}
	for _, name := range parts {
		if err := one(name, name, p); err != nil {
			return nil, err
		}
	}
	for _, c := range p.Curves {
		if err := one(fmt.Sprintf("curve-%d", c.Index), "curve", c); err != nil {
			return nil, err
		}
	}
	return f, nil
}

// since is f without the parts that seen, which may be nil, holds already.
func (f *frame) since(seen *frame) (part *frame, changed bool) {
	if seen == nil {
		return f, true
	}
	out := *f
	out.Parts = map[string]string{}
	for id, html := range f.Parts {
		if seen.Parts[id] != html {
			out.Parts[id] = html
		}
	}
	return &out, len(out.Parts) > 0 || f.Trail != seen.Trail || f.Title != seen.Title
}

// newest is the newest frame, made anew at most twice a second however many ask.
func (s *Server) newest() (*frame, error) {
	s.frames.Lock()
	defer s.frames.Unlock()
	if s.frames.last != nil && time.Since(s.frames.made) < frameEvery/2 {
		return s.frames.last, nil
	}
	f, err := s.render()
	if err != nil {
		return nil, err
	}
	s.frames.last, s.frames.made = f, time.Now()
	return f, nil
}

// serveNow answers one frame, for a page that cannot have them as they come.
func (s *Server) serveNow(w http.ResponseWriter, r *http.Request) {
	f, err := s.newest()
	if err != nil {
		s.broken(w, err)
		return
	}
	s.sendJSON(w, r, f)
}

// serveCurves answers what the plots show.
func (s *Server) serveCurves(w http.ResponseWriter, r *http.Request) {
	snap := s.view()
	s.sendJSON(w, r, s.trails.curves(&snap))
}
