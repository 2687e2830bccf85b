package forward

import (
	"bytes"
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"time"

	"github.com/klauspost/compress/snappy"
	"github.com/prometheus/client_golang/exp/api/remote"
	"google.golang.org/protobuf/proto"

	"candlemark/agent/retry"
	"candlemark/agent/secret"
)

// verdict is what an answer means for the samples of the request.
type verdict int

const (
	accepted  verdict = iota
	again             // the receiver or the way to it is unwell
	refused           // a sample in it is not to its liking
	outOfDate         // refused as out of order or too old
	duplicate         // refused as there already
	misfit            // a matter of configuration
)

// outcome is how one request ended.
type outcome struct {
	verdict    verdict
	err        error // nil when accepted
	retryAfter time.Duration
	unsent     bool // no connection was had
}

const (
	mostAnswer  = 64 << 10 // bytes read of an answer
	mostExcerpt = 300      // bytes of a refusal's words in an error
)

// poster makes requests, one at a time.
type poster struct {
	cfg       Config
	api       *remote.API
	tap       *tap
	v2        bool
	confirmed bool // the receiver answered to 2.0 as only 2.0 does
}

func newPoster(cfg Config, transport http.RoundTripper) (*poster, error) {
	t := &tap{next: transport, cfg: cfg}
	client := &http.Client{Transport: t, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	api, err := remote.NewAPI(cfg.URL, remote.WithAPIPath(""), remote.WithAPIHTTPClient(client))
	if err != nil {
		return nil, errors.New("the address makes no request")
	}
	return &poster{cfg: cfg, api: api, tap: t, v2: cfg.Version != Version1}, nil
}

// post sends samples once, or a second time where that settles the version.
func (p *poster) post(ctx context.Context, samples []sample) outcome {
	for {
		answer, err := p.write(ctx, samples)
		unsure := p.v2 && !p.confirmed && p.cfg.Version == VersionAuto
		if unsure && (answer.code == http.StatusUnsupportedMediaType || answer.code == http.StatusBadRequest || answer.code/100 == 2 && err != nil) {
			p.v2 = false
			continue
		}
		p.confirmed = p.confirmed || p.v2 && err == nil
		return p.judge(answer, err)
	}
}

// extra is what a request may move beside its body: names looked up and a TLS handshake,
// headers, and the most that is read of an answer.
const extra = 16<<10 + mostAnswer

// most is the most that posting samples once may move, in bytes of TCP's payload.
func (p *poster) most(samples []sample) int64 {
	size := func(message []byte) int64 { return int64(len(snappy.Encode(nil, message))) + extra }
	if !p.v2 {
		return size(encode1(samples))
	}
	message, _ := proto.Marshal(encode2(samples)) // what has no encoding is not sent either
	n := size(message)
	if !p.confirmed && p.cfg.Version == VersionAuto { // it may be sent a second time
		n += size(encode1(samples))
	}
	return n
}

// write makes one request. The library would try again by itself, in ignorance of
// the order and of Retry-After as a date; ending its context keeps it from that.
func (p *poster) write(ctx context.Context, samples []sample) (answer, error) {
	ctx, cancel := context.WithTimeout(ctx, p.cfg.Timeout)
	defer cancel()
	stop := remote.WithWriteRetryCallback(func(error) { cancel() })
	var err error
	p.tap.last = answer{}
	if p.v2 {
		_, err = p.api.Write(ctx, remote.WriteV2MessageType, encode2(samples), stop)
	} else {
		_, err = p.api.Write(ctx, remote.WriteV1MessageType, encode1(samples), stop)
	}
	return p.tap.last, err
}

// judge says what an answer means.
func (p *poster) judge(a answer, err error) outcome {
	if err == nil {
		return outcome{}
	}
	if a.err != nil {
		err = a.err
		if errors.Is(err, context.DeadlineExceeded) {
			err = fmt.Errorf("no answer within %v: %w", p.cfg.Timeout, err)
		}
		dial := (*net.OpError)(nil)
		unsent := errors.As(err, &dial) && dial.Op == "dial"
		return outcome{verdict: again, err: fmt.Errorf("forward samples: %w", err), unsent: unsent}
	}
	if a.code == 0 { // nothing was sent
		return outcome{verdict: misfit, err: fmt.Errorf("forward samples: %w", err)}
	}
	o := outcome{retryAfter: a.retryAfter, err: fmt.Errorf("forward samples: the receiver answered %d %s%s", a.code, http.StatusText(a.code), a.said)}
	words := strings.ToLower(a.said)
	old := containsAny(words, "out of order", "out-of-order", "out of bounds", "out-of-bounds", "too old sample", "too far in the past")
	switch code := a.code; {
	case code/100 == 2:
		o.err = fmt.Errorf("forward samples: the receiver does not say that it wrote anything by version 2.0; set version: 1.0: %w", err)
		o.verdict = misfit
	case code == http.StatusRequestTimeout, code == http.StatusTooEarly, code == http.StatusTooManyRequests,
		code >= 500 && !(old && code == http.StatusInternalServerError):
		o.verdict = again
	case containsAny(words, "duplicate sample", "duplicate-timestamp", "same timestamp"):
		o.verdict = duplicate
	case old:
		o.verdict = outOfDate
	case code == http.StatusBadRequest, code == http.StatusConflict, code == http.StatusRequestEntityTooLarge, code == http.StatusUnprocessableEntity:
		o.verdict = refused
	default:
		o.verdict = misfit
	}
	return o
}

func containsAny(text string, words ...string) bool {
	for _, w := range words {
		if strings.Contains(text, w) {
			return true
		}
	}
	return false
}

// answer is what the library's error does not tell.
type answer struct {
	code       int // 0 where there was none
	retryAfter time.Duration
	said       string // the beginning of a refusal's words
	err        error  // why there was no answer
}

// tap stands between the library and the transport: it adds the credentials,
// bounds what is read of an answer, and keeps what it says.
type tap struct {
	next http.RoundTripper
	cfg  Config
	last answer
}

func (t *tap) RoundTrip(r *http.Request) (*http.Response, error) {
	r = r.Clone(r.Context()) // a RoundTripper must not change what it is given
	r.Header.Set("User-Agent", "candlemark")
	hide, err := t.authenticate(r)
	if err != nil {
		t.last.err = err
		return nil, err
	}
	resp, err := t.next.RoundTrip(r)
	if err != nil {
		t.last.err = err
		return nil, err
	}
	defer resp.Body.Close()
	// What cannot be read of an answer changes nothing about its status.
	body, _ := io.ReadAll(io.LimitReader(resp.Body, mostAnswer))
	resp.Body = io.NopCloser(bytes.NewReader(body))
	t.last.code = resp.StatusCode
	t.last.retryAfter = retry.After(resp.Header, time.Now())
	t.last.said = secret.Excerpt(body, mostExcerpt, hide...)
	return resp, nil
}

// authenticate sets the credentials, read anew each time so that they can be
// changed without a restart, and returns what must not be repeated.
func (t *tap) authenticate(r *http.Request) (hide []string, err error) {
	switch {
	case t.cfg.BearerTokenFile != "":
		token, err := secret.Read(t.cfg.BearerTokenFile)
		if err != nil {
			return nil, err
		}
		r.Header.Set("Authorization", "Bearer "+token)
		return []string{token}, nil
	case t.cfg.PasswordFile != "":
		password, err := secret.Read(t.cfg.PasswordFile)
		if err != nil {
			return nil, err
		}
		r.SetBasicAuth(t.cfg.User, password)
		return []string{password, base64.StdEncoding.EncodeToString([]byte(t.cfg.User + ":" + password))}, nil
	}
	return nil, nil
}
