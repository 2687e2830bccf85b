package httpd_test

import (
	"bytes"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"candlemark/agent/action"
	"candlemark/agent/feed"
	"candlemark/agent/httpd"
	"candlemark/agent/status"
	"candlemark/agent/surveyor"
)

// told is an agent that remembers what it was told.
type told struct {
	did []string
	err error
}

func (h *told) Packs() []string { return []string{"a"} }
func (h *told) Swap(pack, mark string, sure bool, who string) error {
	h.did = append(h.did, fmt.Sprintf("swap %s %q by %s%s", pack, mark, who, map[bool]string{true: ", sure"}[sure]))
	return h.err
}
func (h *told) Note(text, who string) error {
	h.did = append(h.did, fmt.Sprintf("note %q by %s", text, who))
	return h.err
}
func (h *told) Probe(name, who string) (string, error) {
	return "next", nil
}

func (h *told) Survey(r surveyor.Request, who string) (string, error) {
	return "round 1", nil
}

func (h *told) Acknowledge(name, subject string, quiet time.Duration, who string) (string, error) {
	h.did = append(h.did, fmt.Sprintf("ack %s %q for %s by %s", name, subject, quiet, who))
	return "quiet", h.err
}
func (h *told) SetTime(now time.Time, who string) (string, error) {
	h.did = append(h.did, fmt.Sprintf("time %s by %s", now.Format(time.RFC3339), who))
	return "it is late", h.err
}
func (h *told) Feed(r feed.Request, who string) (string, error) {
	h.did = append(h.did, fmt.Sprintf("feed %s for %s, %s, by %s", r.Do, r.For, r.Schedule, who))
	return "it returns in 45 min", h.err
}

const goodToken = "c0ffee00c0ffee00c0ffee00c0ffee00"

// commandable is a server that takes commands, with what it logs.
func commandable(t *testing.T, h action.Handler) (*httpd.Server, *bytes.Buffer, string) {
	t.Helper()
	file := filepath.Join(t.TempDir(), "token")
	if err := os.WriteFile(file, []byte(goodToken+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	var log bytes.Buffer
	s := httpd.New(httpd.Config{Actions: &httpd.Actions{TokenFile: file, Handler: h}, Log: slog.New(slog.NewTextHandler(&log, nil))},
		noMetrics, func() status.Snapshot { return example() })
	return s, &log, file
}

// command is a good request from the board itself.
func command(name, body string) *http.Request {
	r := httptest.NewRequest(http.MethodPost, "/actions/"+name, strings.NewReader(body))
	r.RemoteAddr = "127.0.0.1:50000"
	r.Header.Set("Content-Type", "application/json")
	r.Header.Set("Candlemark-Token", goodToken)
	r.Header.Set("Candlemark-Who", "Ana%C3%AFs")
	return r
}

func ask(s *httpd.Server, r *http.Request) (int, action.Answer) {
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, r)
	var a action.Answer
	if json.Unmarshal(w.Body.Bytes(), &a) != nil {
		a.Error = w.Body.String()
	}
	return w.Code, a
}

func TestCommandsAreCarriedOutWithWhoGaveThem(t *testing.T) {
	h := &told{}
	s, _, _ := commandable(t, h)
	for _, c := range []struct{ name, body, words string }{
		{"swap", `{"pack":"a","mark":"B2"}`, "noted: pack B2 is now at a"},
		{"note", `{"text":" rain "}`, "noted"},
		{"feed", `{"do":"off","for":"45m"}`, "it returns in 45 min"},
		{"feed", `{"do":"schedule","on":"10m","every":"1h"}`, "it returns in 45 min"},
	} {
		if code, a := ask(s, command(c.name, c.body)); code != http.StatusOK || a.Words != c.words {
			t.Errorf("%s %s: %d %+v", c.name, c.body, code, a)
		}
	}
	if code, a := ask(s, command("time", `{"now":"2026-03-14T19:30:00+01:00"}`)); code != http.StatusOK || a.Words != "it is late" {
		t.Errorf("time: %d %+v", code, a)
	}
	r := command("note", `{"text":"over TLS"}`)
	r.RemoteAddr, r.TLS = "192.0.2.7:1", &tls.ConnectionState{} // an address of RFC 5737
	if code, a := ask(s, r); code != http.StatusOK {
		t.Errorf("over TLS: %d %+v", code, a)
	}
	want := []string{`swap a "B2" by Anaïs (http, 127.0.0.1)`, `note "rain" by Anaïs (http, 127.0.0.1)`,
		`feed off for 45m0s, on for 0 s in every 0 s, by Anaïs (http, 127.0.0.1)`, `feed schedule for 0s, on for 10 min in every 1 h, by Anaïs (http, 127.0.0.1)`,
		`time 2026-03-14T19:30:00+01:00 by Anaïs (http, 127.0.0.1)`,
		`note "over TLS" by Anaïs (http, 192.0.2.7)`}
	if got := strings.Join(h.did, "\n"); got != strings.Join(want, "\n") {
		t.Errorf("told\n%s\nwant\n%s", got, strings.Join(want, "\n"))
	}
}

func TestCommandsAreRefusedInWords(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*http.Request)
		code   int
		says   string
	}{
		"plain HTTP from elsewhere":           {func(r *http.Request) { r.RemoteAddr = "192.0.2.7:1" }, 403, "could be read by everybody on this network"},
		"plain HTTP from elsewhere, unarmed":  {func(r *http.Request) { r.RemoteAddr = "192.0.2.7:1"; r.Header.Del("Candlemark-Token") }, 403, "over TLS only"},
		"no token":                            {func(r *http.Request) { r.Header.Del("Candlemark-Token") }, 401, "missing or wrong"},
		"wrong token":                         {func(r *http.Request) { r.Header.Set("Candlemark-Token", goodToken+"0") }, 401, "missing or wrong"},
		"a page of another site":              {func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "cross-site") }, 403, "another site"},
		"a page of the same site's neighbour": {func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "same-site") }, 403, "another site"},
		"an older browser's foreign page":     {func(r *http.Request) { r.Header.Set("Origin", "http://evil.example") }, 403, "another site"},
		"a form":                              {func(r *http.Request) { r.Header.Set("Content-Type", "application/x-www-form-urlencoded") }, 415, "must be JSON"},
		"text that needs no leave to be sent": {func(r *http.Request) { r.Header.Set("Content-Type", "text/plain") }, 415, "must be JSON"},
		"nobody":                              {func(r *http.Request) { r.Header.Del("Candlemark-Who") }, 400, "say who you are"},
		"a name that upsets a terminal":       {func(r *http.Request) { r.Header.Set("Candlemark-Who", "a%1b[2J") }, 400, "say who you are"},
		"a name that is no UTF-8":             {func(r *http.Request) { r.Header.Set("Candlemark-Who", "a%ff") }, 400, "say who you are"},
		"an unknown action":                   {func(r *http.Request) { r.URL.Path = "/actions/explode" }, 404, "nothing the agent can do; it can: swap, note, feed, ack, time"},
		"too much":                            {func(r *http.Request) { *r = *command("note", `{"text":"`+strings.Repeat("x", 9000)+`"}`) }, 413, "too large"},
		"no JSON":                             {func(r *http.Request) { *r = *command("note", `{"text":`) }, 400, "unexpected EOF"},
		"an unknown key":                      {func(r *http.Request) { *r = *command("note", `{"txet":"x"}`) }, 400, "unknown field"},
		"two requests in one":                 {func(r *http.Request) { *r = *command("note", `{"text":"x"}{"text":"y"}`) }, 400, "more than one"},
		"a time without unit":                 {func(r *http.Request) { *r = *command("feed", `{"do":"off","for":"45"}`) }, 400, "write it with its unit"},
		"no time":                             {func(r *http.Request) { *r = *command("time", `{}`) }, 422, "now is missing"},
		"an unknown pack":                     {func(r *http.Request) { *r = *command("swap", `{"pack":"b"}`) }, 422, "the packs are: a"},
	} {
		t.Run(name, func(t *testing.T) {
			h := &told{}
			s, log, _ := commandable(t, h)
			r := command("note", `{"text":"x"}`)
			c.change(r)
			code, a := ask(s, r)
			if code != c.code || !strings.Contains(a.Error, c.says) || len(h.did) != 0 {
				t.Errorf("%d %+v, and did %q; want %d with %q", code, a, h.did, c.code, c.says)
			}
			if strings.Contains(a.Error+log.String(), goodToken) {
				t.Error("the token was shown")
			}
		})
	}
	h := &told{err: errors.New("the pack is at its cut-off")}
	s, _, file := commandable(t, h)
	if code, a := ask(s, command("feed", `{"do":"on"}`)); code != 422 || a.Error != "the pack is at its cut-off" {
		t.Errorf("refused by the agent: %d %+v", code, a)
	}
	h.err = fmt.Errorf("%w: disk full", action.ErrNotKept)
	if code, a := ask(s, command("note", `{"text":"x"}`)); code != 500 || !strings.Contains(a.Error, "not yet kept") {
		t.Errorf("not kept: %d %+v", code, a)
	}
	for text, why := range map[string]string{"short": "16 are the least", "": "want one line"} {
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if code, a := ask(s, command("note", `{"text":"x"}`)); code != 500 || strings.Contains(a.Error, "short") {
			t.Errorf("token %q: %d %+v", text, code, a)
		}
		if err := (httpd.Actions{TokenFile: file}).Check(); err == nil || !strings.Contains(err.Error(), why) {
			t.Errorf("token %q: %v", text, err)
		}
	}
	if err := os.Chmod(file, 0o644); err != nil {
		t.Fatal(err)
	}
	if err := (httpd.Actions{TokenFile: file}).Check(); err == nil || !strings.Contains(err.Error(), "everybody may use the file") {
		t.Errorf("an open token file: %v", err)
	}
	if code, a := ask(serverOf(example()), command("note", `{"text":"x"}`)); code != 403 || !strings.Contains(a.Error, "takes no commands over HTTP") {
		t.Errorf("not configured: %d %+v", code, a)
	}
	r := command("note", "")
	r.Method = http.MethodOptions // what a browser asks before it sends another site's headers
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, r)
	if w.Code != http.StatusMethodNotAllowed || w.Header().Get("Access-Control-Allow-Origin") != "" {
		t.Errorf("preflight: %d %v", w.Code, w.Header())
	}
}

// What a guesser may try, and that he keeps out nobody else.
func TestWrongTokensAreTakenSlowly(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := &told{}
		s, log, _ := commandable(t, h)
		from := func(addr, token string) int {
			r := command("note", `{"text":"x"}`)
			r.RemoteAddr, r.TLS = addr, &tls.ConnectionState{}
			r.Header.Set("Candlemark-Token", token)
			code, _ := ask(s, r)
			return code
		}
		looked := 0
		for range 1000 {
			if from("192.0.2.1:1", "guess") == http.StatusUnauthorized {
				looked++
			}
		}
		if looked != 5 {
			t.Errorf("%d of 1000 guesses at once were looked at, want 5", looked)
		}
		if n := strings.Count(log.String(), "wrong token"); n != 5 {
			t.Errorf("%d lines in the log, want 5", n)
		}
		if got := from("192.0.2.1:1", goodToken); got != http.StatusTooManyRequests {
			t.Errorf("the guesser's right token: %d, want to wait", got)
		}
		if got := from("192.0.2.2:1", goodToken); got != http.StatusOK {
			t.Errorf("somebody else's right token: %d", got)
		}
		time.Sleep(10 * time.Second)
		if got := from("192.0.2.1:1", goodToken); got != http.StatusOK {
			t.Errorf("the right token after the wait: %d", got)
		}
		// A host has as many IPv6 addresses as it likes (RFC 4291, 64-bit interface identifiers).
		looked = 0
		for i := range 500 {
			if from(fmt.Sprintf("[2001:db8::%x]:1", i+1), "guess") == http.StatusUnauthorized {
				looked++
			}
		}
		if looked != 5 {
			t.Errorf("%d guesses of one IPv6 network were looked at, want 5", looked)
		}
		looked = 0
		for i := range 2000 { // a host each
			if from(fmt.Sprintf("10.0.%d.%d:1", i/250, i%250), "guess") == http.StatusUnauthorized {
				looked++
			}
		}
		if looked > 60 {
			t.Errorf("%d guesses of strangers were looked at, want 60 at most", looked)
		}
		if got := from("192.0.2.2:1", goodToken); got != http.StatusOK {
			t.Errorf("while strangers guess, one who knows: %d", got)
		}
	})
}
