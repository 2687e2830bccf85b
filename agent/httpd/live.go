package httpd

import (
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"sync"
	"time"

	"candlemark/agent/status"
)

const (
	frameEvery = time.Second
	// mostViewers bounds what pages that are kept open cost: about 1.5 MB each.
	// Whoever comes later still has the page, and asks for it every few seconds.
	mostViewers = 8
	// slowAfter is how long one write may take before its client is dropped.
	slowAfter = 10 * time.Second
	// beatEvery is the longest silence on a stream; proxies close idle ones, the
	// usual limit being a minute.
	beatEvery = 5 * time.Second
)

// viewers are the pages that are told as things change (server-sent events, WHATWG
// HTML Living Standard, section 9.2).
type viewers struct {
	mu      sync.Mutex
	wake    map[chan struct{}]bool // one of each viewer; closed when the server ends
	ended   bool
	refused uint64 // for want of room
	dropped uint64 // too slow
}

// enter takes a viewer in. Its channel has room for one word: "look anew". A
// viewer that is slower misses what lay between and gets the newest.
func (v *viewers) enter() (chan struct{}, bool) {
	v.mu.Lock()
	defer v.mu.Unlock()
	if v.ended || len(v.wake) >= mostViewers {
		v.refused++
		return nil, false
	}
	if v.wake == nil {
		v.wake = map[chan struct{}]bool{}
	}
	c := make(chan struct{}, 1)
	v.wake[c] = true
	return c, true
}

func (v *viewers) leave(c chan struct{}, slow bool) {
	v.mu.Lock()
	defer v.mu.Unlock()
	delete(v.wake, c)
	if slow {
		v.dropped++
	}
}

// Pages says who follows the page.
func (s *Server) Pages() status.Pages {
	v := &s.viewers
	v.mu.Lock()
	defer v.mu.Unlock()
	return status.Pages{Open: len(v.wake), Refused: v.refused, Dropped: v.dropped}
}

func (v *viewers) tell() {
	v.mu.Lock()
	defer v.mu.Unlock()
	for c := range v.wake {
		select {
		case c <- struct{}{}:
		default:
		}
	}
}

// end lets every viewer go, and takes no more.
func (v *viewers) end() {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.ended = true
	for c := range v.wake {
		close(c)
		delete(v.wake, c)
	}
}

// watch takes note of the agent's life and of what the plots show, and wakes the
// viewers, once a second until ctx ends.
func (s *Server) watch(ctx context.Context) {
	defer s.viewers.end()
	tick := time.NewTicker(frameEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			snap := s.view()
			s.pulse.see(snap.Taken.Up)
			s.trails.see(&snap)
			s.viewers.tell()
		}
	}
}

// serveLive streams frames: all of it first, then what changed. Compression keeps
// its memory over the stream, so that a second costs some hundred bytes.
func (s *Server) serveLive(w http.ResponseWriter, r *http.Request) {
	wake, ok := s.viewers.enter()
	if !ok {
		w.Header().Set("Retry-After", "30")
		http.Error(w, "too many pages are open; this one asks every few seconds instead", http.StatusServiceUnavailable)
		return
	}
	slow := false
	defer func() { s.viewers.leave(wake, slow) }()
	h := w.Header()
	h.Set("Content-Type", "text/event-stream; charset=utf-8")
	h.Set("Cache-Control", "no-store, no-transform")
	h.Set("X-Accel-Buffering", "no") // asks a proxy not to hold events back
	out := stream{control: http.NewResponseController(w), to: w}
	if takesGzip(r) {
		h.Set("Content-Encoding", "gzip")
		out.zip, _ = gzip.NewWriterLevel(w, gzip.BestSpeed) // the level exists
		out.to = out.zip
	}
	var seen *frame
	said := time.Time{}
	for {
		f, err := s.newest()
		if err != nil {
			s.cfg.Log.Error("render page", "err", err)
			return
		}
		part, changed := f.since(seen)
		switch {
		case changed:
			b, err := json.Marshal(part)
			if err != nil {
				s.cfg.Log.Error("render page", "err", err)
				return
			}
			err = out.send(fmt.Sprintf("retry: 3000\ndata: %s\n\n", b))
			if slow = errors.Is(err, os.ErrDeadlineExceeded); err != nil {
				return
			}
			said = time.Now()
		case time.Since(said) >= beatEvery:
			err = out.send(": nothing new\n\n")
			if slow = errors.Is(err, os.ErrDeadlineExceeded); err != nil {
				return
			}
			said = time.Now()
		}
		seen = f
		select {
		case _, open := <-wake:
			if !open {
				return
			}
		case <-r.Context().Done():
			return
		}
	}
}

// stream writes events, each at once and within slowAfter.
type stream struct {
	control *http.ResponseController
	to      io.Writer
	zip     *gzip.Writer // nil without compression
}

func (o *stream) send(text string) error {
	if err := o.control.SetWriteDeadline(time.Now().Add(slowAfter)); err != nil {
		return err
	}
	if _, err := io.WriteString(o.to, text); err != nil {
		return err
	}
	if o.zip != nil {
		if err := o.zip.Flush(); err != nil {
			return err
		}
	}
	return o.control.Flush()
}
