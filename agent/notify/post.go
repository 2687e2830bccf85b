package notify

import (
	"bytes"
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptrace"
	"net/url"
	"sync/atomic"
	"time"

	"candlemark/agent/retry"
	"candlemark/agent/secret"
)

const (
	mostBody    = 64 << 10 // bytes read of an answer, so that the connection can be used again
	mostExcerpt = 200      // bytes of a refusal's words in an error
)

// poster makes the requests to one receiver.
type poster struct {
	receiver Receiver
	client   *http.Client
	url      string
}

// carry makes one POST, bounded by the receiver's time-out.
func (p poster) carry(ctx context.Context, body []byte) outcome {
	ctx, cancel := context.WithTimeout(ctx, p.receiver.Timeout)
	defer cancel()
	request, err := http.NewRequestWithContext(ctx, http.MethodPost, p.url, bytes.NewReader(body))
	if err != nil {
		return outcome{err: p.fault(errors.New("the address makes no request")), final: true}
	}
	request.Header.Set("Content-Type", "application/json")
	request.Header.Set("User-Agent", "candlemark")
	credential, err := p.authenticate(request)
	if err != nil {
		return outcome{err: p.fault(err)} // the file may come back
	}

	var begun atomic.Bool
	request = request.WithContext(httptrace.WithClientTrace(ctx, &httptrace.ClientTrace{WroteHeaders: func() { begun.Store(true) }}))
	response, err := p.client.Do(request)
	if err != nil {
		// The outer error holds the address, which may be a secret.
		if outer := (*url.Error)(nil); errors.As(err, &outer) {
			err = outer.Err
		}
		if errors.Is(err, context.DeadlineExceeded) {
			err = fmt.Errorf("no answer within %v: %w", p.receiver.Timeout, err)
		}
		return outcome{err: p.fault(err), begun: begun.Load()}
	}
	defer response.Body.Close()
	// What cannot be read of an answer changes nothing about its status.
	answer, _ := io.ReadAll(io.LimitReader(response.Body, mostBody))

	o := outcome{begun: true}
	if date, err := http.ParseTime(response.Header.Get("Date")); err == nil {
		o.date, o.dateKnown = date, true
	}
	code := response.StatusCode
	switch {
	case code >= 200 && code < 300:
		o.said = fmt.Sprintf("answered %d %s", code, http.StatusText(code))
		return o
	case code == http.StatusRequestTimeout, code == http.StatusTooManyRequests, code >= 500:
		o.retryAfter = retry.After(response.Header, time.Now())
	default:
		o.final = true
	}
	said := ""
	if p.receiver.Kind == Alertmanager && code >= 400 && code < 500 {
		// Not of a webhook: it may echo its own address, whose path may be a secret.
		said = secret.Excerpt(answer, mostExcerpt, credential, base64.StdEncoding.EncodeToString([]byte(p.receiver.User+":"+credential)))
	} else if code >= 300 && code < 400 {
		said = ": redirects are not followed; set the address it leads to"
	}
	o.err = p.fault(fmt.Errorf("answered %d %s%s", code, http.StatusText(code), said))
	return o
}

func (p poster) fault(err error) error {
	return fmt.Errorf("receiver %q: post alarms: %w", p.receiver.Name, err)
}

// authenticate sets the credentials, read anew each time so that they can be
// changed without a restart, and returns them.
func (p poster) authenticate(request *http.Request) (credential string, err error) {
	switch r := p.receiver; {
	case r.BearerTokenFile != "":
		if credential, err = secret.Read(r.BearerTokenFile); err == nil {
			request.Header.Set("Authorization", "Bearer "+credential)
		}
	case r.PasswordFile != "":
		if credential, err = secret.Read(r.PasswordFile); err == nil {
			request.SetBasicAuth(r.User, credential)
		}
	}
	return credential, err
}
