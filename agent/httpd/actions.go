package httpd

import (
	"crypto/sha256"
	"crypto/subtle"
	"errors"
	"fmt"
	"math"
	"mime"
	"net/http"
	"net/netip"
	"net/url"
	"strconv"
	"strings"
	"time"
	"unicode"

	"candlemark/agent/action"
	"candlemark/agent/secret"
)

// The headers of an action. A page of another origin cannot set them without
// asking first, which is answered with no.
const (
	tokenHeader = "Candlemark-Token"
	whoHeader   = "Candlemark-Who" // the person's name, percent-encoded UTF-8
)

const (
	leastToken = 16 // characters; below that a token can be guessed
	mostWho    = 64 // bytes of a name
)

// Actions lets people with the token do what the local socket lets its group do.
type Actions struct {
	TokenFile string // read at each use
	Handler   action.Handler
}

// Check says whether the token can be used.
func (a Actions) Check() error {
	_, err := a.token()
	return err
}

func (a Actions) token() (string, error) {
	token, err := secret.Read(a.TokenFile)
	if err == nil && len(token) < leastToken {
		err = fmt.Errorf("credentials %s: the token has %d characters; %d are the least: make one with  openssl rand -hex 16", a.TokenFile, len(token), leastToken)
	}
	return token, err
}

// refusal is why a request may not act, with its HTTP status.
type refusal struct {
	code int
	why  error
	wait time.Duration // until it is worth trying again; 0 where that helps nothing
}

// serveAction guards the way to package action. What costs nothing to find out is
// found out first; the token is looked at last.
func (s *Server) serveAction(w http.ResponseWriter, r *http.Request) {
	who, no := s.admit(r)
	if no != nil {
		if no.wait > 0 {
			w.Header().Set("Retry-After", strconv.Itoa(int(math.Ceil(no.wait.Seconds()))))
		}
		action.Fail(w, no.code, no.why)
		return
	}
	action.Serve(w, r, s.cfg.Actions.Handler, r.PathValue("name"), who)
}

// mayAct says whether a page that came the way r did can send commands at all, and
// else what to do instead.
func (s *Server) mayAct(r *http.Request) (bool, string) {
	from, err := netip.ParseAddrPort(r.RemoteAddr)
	switch {
	case s.cfg.Actions == nil:
		return false, "This page takes no commands; use the program's own on the board, or name a token file in its configuration."
	case err != nil || r.TLS == nil && !from.Addr().Unmap().IsLoopback():
		return false, "This page takes commands over TLS only, so that nobody can read the token on the way: open it with https."
	}
	return true, ""
}

// admit says who may act, or why nobody may.
func (s *Server) admit(r *http.Request) (who string, no *refusal) {
	refuse := func(code int, format string, args ...any) (string, *refusal) {
		return "", &refusal{code: code, why: fmt.Errorf(format, args...)}
	}
	from, err := netip.ParseAddrPort(r.RemoteAddr)
	if err != nil {
		return refuse(http.StatusForbidden, "nobody knows where this request comes from")
	}
	given, addr := r.Header.Get(tokenHeader), from.Addr().Unmap()
	switch {
	case s.cfg.Actions == nil:
		return refuse(http.StatusForbidden, "this agent takes no commands over HTTP; give it actions in its configuration, or use its control socket on the board")
	case r.TLS == nil && !addr.IsLoopback():
		if given != "" {
			s.cfg.Log.Warn("a token was sent over plain HTTP, where everybody on the way can read it: change it", "from", addr)
			return refuse(http.StatusForbidden, "commands are taken over TLS only. The token you sent could be read by everybody on this network: have it changed")
		}
		return refuse(http.StatusForbidden, "commands are taken over TLS only: plain HTTP shows the token to everybody on this network")
	}
	if err := s.sameOrigin.Check(r); err != nil {
		return refuse(http.StatusForbidden, "a page of another site may not command this agent")
	}
	if kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || kind != "application/json" {
		return refuse(http.StatusUnsupportedMediaType, "the body must be JSON: set Content-Type to application/json")
	}
	if name, err := url.PathUnescape(r.Header.Get(whoHeader)); err != nil || !isName(name) {
		return refuse(http.StatusBadRequest, "say who you are, for the record: a name of at most %d bytes in the header %s, percent-encoded where it is not plain ASCII", mostWho, whoHeader)
	} else {
		who = fmt.Sprintf("%s (http, %s)", name, addr)
	}
	if wait := s.guesses.wait(addr, time.Now()); wait > 0 {
		return "", &refusal{http.StatusTooManyRequests, errors.New("too many wrong tokens; wait before you try again"), wait}
	}
	token, err := s.cfg.Actions.token()
	if err != nil {
		s.cfg.Log.Error("actions", "err", err)
		return refuse(http.StatusInternalServerError, "the agent cannot read its own token; its log says why")
	}
	if !same(given, token) {
		s.guesses.wrong(addr, time.Now())
		s.cfg.Log.Warn("wrong token", "from", addr, "who", who)
		return refuse(http.StatusUnauthorized, "the token in the header %s is missing or wrong", tokenHeader)
	}
	s.guesses.right(addr, time.Now())
	return who, nil
}

// same compares in a time that tells nothing of the token, not even its length.
func same(given, token string) bool {
	a, b := sha256.Sum256([]byte(given)), sha256.Sum256([]byte(token))
	return subtle.ConstantTimeCompare(a[:], b[:]) == 1
}

func isName(name string) bool {
	return name != "" && len(name) <= mostWho && name == strings.TrimSpace(name) &&
		strings.IndexFunc(name, func(r rune) bool { return !unicode.IsPrint(r) }) < 0 && strings.ToValidUTF8(name, "") == name
}
