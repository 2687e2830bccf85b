package throughput

import (
	"bytes"
	"context"
	"errors"
	"io"
	"net/http"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// answer is a far end that reads take bytes of a request and answers.
func answer(status int, contentType string, body int, take int64) roundTripper {
	return func(r *http.Request) (*http.Response, error) {
		if r.Body != nil {
			if _, err := io.CopyN(io.Discard, r.Body, take); err != nil {
				return nil, err
			}
		}
		return &http.Response{
			StatusCode: status, Status: http.StatusText(status), ContentLength: -1, Request: r,
			Header: http.Header{"Content-Type": {contentType}},
			Body:   io.NopCloser(bytes.NewReader(make([]byte, body))),
		}, nil
	}
}

func testGuard(ctx context.Context, next http.RoundTripper) *guard {
	return &guard{done: ctx.Done(), giveUp: func(error) {}, next: next, stage: loading, meter: &meter{start: time.Now()}}
}

func ask(t *testing.T, ctx context.Context, g *guard, upload int) error {
	t.Helper()
	method, body := http.MethodGet, io.Reader(nil)
	if upload > 0 {
		method, body = http.MethodPost, bytes.NewReader(make([]byte, upload))
	}
	req, err := http.NewRequestWithContext(ctx, method, "http://192.0.2.1/speedtest/random1000x1000.jpg", body)
	if err != nil {
		t.Fatal(err)
	}
	resp, err := g.RoundTrip(req)
	if err != nil {
		return err
	}
	_, err = io.Copy(io.Discard, resp.Body)
	return errors.Join(err, resp.Body.Close())
}

// What of an answer passes for speed, and whether the caller was slowed.
func TestOnlyTestDataCount(t *testing.T) {
	const mega = 1_000_000
	for _, c := range []struct {
		name   string
		next   http.RoundTripper
		upload int
		counts int64
		slowed bool
		words  string
	}{
		{"download", answer(200, "image/jpeg", mega, 0), 0, mega, false, ""},
		{"download without a type", answer(200, "", mega, 0), 0, mega, false, ""},
		{"error page", answer(404, "image/jpeg", mega, 0), 0, 0, true, "Not Found"},
		{"redirect", answer(302, "", 0, 0), 0, 0, true, "sign-in"},
		{"page of HTML", answer(200, "text/html", mega, 0), 0, 0, true, "text/html"},
		{"JSON", answer(200, "application/json", mega, 0), 0, 0, true, "json"},
		{"short body", answer(200, "image/jpeg", 1000, 0), 0, 0, true, ""},
		{"empty body", answer(200, "image/jpeg", 0, 0), 0, 0, true, ""},
		{"upload", answer(200, "text/html", 8, mega), mega, mega, false, ""},
		{"refused upload", answer(500, "", 8, mega), mega, 0, true, "Internal Server Error"},
		{"upload answered early", answer(200, "", 8, 400_000), mega, 0, true, "400000 of 1000000"},
		{"upload lost on the way", roundTripper(func(r *http.Request) (*http.Response, error) {
			if _, err := io.CopyN(io.Discard, r.Body, 400_000); err != nil {
				return nil, err
			}
			return nil, errors.New("connection reset by peer")
		}), mega, 0, true, "connection reset"},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				g := testGuard(t.Context(), c.next)
				start := time.Now()
				err := ask(t, t.Context(), g, c.upload)
				if c.words != "" && (err == nil || !strings.Contains(err.Error(), c.words)) {
					t.Errorf("error %v does not say %q", err, c.words)
				}
				if g.meter.total != c.counts {
					t.Errorf("%d bytes count, want %d", g.meter.total, c.counts)
				}
				if slowed := time.Since(start) > 0; slowed != c.slowed {
					t.Errorf("slowed %v, want %v", slowed, c.slowed)
				}
				if failed := g.lastFailure() != nil; failed != c.slowed {
					t.Errorf("failure noted: %v", g.lastFailure())
				}
			})
		})
	}
}

// At the end of its time the library cancels its requests: what an upload had
// sent by then was carried.
func TestUploadCutByTheEndOfTheMeasurementCounts(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		g := testGuard(t.Context(), roundTripper(func(r *http.Request) (*http.Response, error) {
			if _, err := io.CopyN(io.Discard, r.Body, 400_000); err != nil {
				return nil, err
			}
			cancel()
			return nil, r.Context().Err()
		}))
		if err := ask(t, ctx, g, 1_000_000); err == nil {
			t.Error("a cancelled upload has no error")
		}
		if g.meter.total != 400_000 || g.lastFailure() != nil {
			t.Errorf("%d bytes count, failure %v", g.meter.total, g.lastFailure())
		}
	})
}

func TestTooManyFailuresInARowEndTheTransfer(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancelCause(t.Context())
		g := testGuard(ctx, answer(404, "", 0, 0))
		g.giveUp = cancel
		g.libraryEnd = time.Now().Add(5 * time.Second)
		start := time.Now()
		for ctx.Err() == nil {
			_ = ask(t, t.Context(), g, 0) // its failure is the subject
		}
		if want := "8 requests in a row"; !strings.Contains(context.Cause(ctx).Error(), want) {
			t.Errorf("cause %v", context.Cause(ctx))
		}
		// The eighth caller is held until the library's time is over.
		if took := time.Since(start); took != 5*time.Second {
			t.Errorf("the library's worker was free after %v", took)
		}

		fresh := testGuard(t.Context(), answer(200, "image/jpeg", 1_000_000, 0))
		fresh.inRow = failuresInRow - 1
		if err := ask(t, t.Context(), fresh, 0); err != nil || fresh.inRow != 0 {
			t.Errorf("after a good answer %d failures stand (%v)", fresh.inRow, err)
		}
	})
}
