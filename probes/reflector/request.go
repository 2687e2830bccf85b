package reflector

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"
)

// request makes one, with the token when it is for a reflector.
func (ph *phase) request(ctx context.Context, method, path string, query url.Values, body io.Reader) (*http.Request, error) {
	u := *ph.prober.base
	if ph.cfg.Reflector != "" {
		u.Path, u.RawQuery = path, query.Encode()
	}
	req, err := http.NewRequestWithContext(ctx, method, u.String(), body)
	if err != nil {
		return nil, err
	}
	req.Header.Set("User-Agent", "candlemark")
	if ph.cfg.Reflector != "" {
		req.Header.Set("Authorization", "Bearer "+ph.cfg.Token)
	}
	return req, nil
}

// unfit says what is wrong with an answer, nil if nothing.
func unfit(resp *http.Response) error {
	switch kind := strings.ToLower(resp.Header.Get("Content-Type")); {
	case resp.StatusCode >= 300 && resp.StatusCode < 400:
		return fmt.Errorf("%s: redirected, as by a sign-in page", resp.Status)
	case resp.StatusCode < 200 || resp.StatusCode > 299:
		text, _ := io.ReadAll(io.LimitReader(resp.Body, 200)) // it only adds to the error
		return fmt.Errorf("%s: %q", resp.Status, strings.TrimSpace(string(text)))
	case strings.HasPrefix(kind, "text/html"):
		return fmt.Errorf("a page of %s, as from a sign-in page", kind)
	}
	return nil
}

// small makes the request that is as short as can be.
func (ph *phase) small(ctx context.Context) error {
	req, err := ph.request(ctx, http.MethodGet, pathSmall, nil, nil)
	if err != nil {
		return err
	}
	return ph.smallOver(req, ph.client)
}

func (ph *phase) smallOver(req *http.Request, client http.RoundTripper) error {
	resp, err := client.RoundTrip(req)
	if err != nil {
		return err
	}
	defer resp.Body.Close()
	if err := unfit(resp); err != nil {
		return err
	}
	b, err := io.ReadAll(io.LimitReader(resp.Body, 2))
	if err != nil {
		return err
	}
	if string(b) != "1" {
		return errors.New("not the answer of a reflector")
	}
	return nil
}

// report asks the reflector what it saw of the run.
func (ph *phase) report(ctx context.Context, id string) (report, error) {
	var rep report
	req, err := ph.request(ctx, http.MethodGet, pathReport, url.Values{"run": {id}}, nil)
	if err != nil {
		return rep, err
	}
	resp, err := ph.client.RoundTrip(req)
	if err != nil {
		return rep, err
	}
	defer resp.Body.Close()
	if err := unfit(resp); err != nil {
		return rep, err
	}
	return rep, decodeReport(io.LimitReader(resp.Body, 64<<10), &rep)
}

// decodeReport reads a report and refuses impossible ones.
func decodeReport(r io.Reader, rep *report) error {
	if err := json.NewDecoder(r).Decode(rep); err != nil {
		return fmt.Errorf("report: %w", err)
	}
	if rep.Received < 0 || rep.WireSent < 0 || rep.Retransmitted < 0 || rep.Retransmitted > rep.WireSent || len(rep.RTTs) > mostSamples {
		return errors.New("report: impossible counts")
	}
	for _, us := range rep.RTTs {
		if us <= 0 || us > 600e6 {
			return errors.New("report: impossible round trip")
		}
	}
	return nil
}

// get asks for n bytes and reads what comes, telling of each piece.
func (ph *phase) get(ctx context.Context, id string, n int64, got func(int), congestion func(string)) (total int64, err error) {
	req, err := ph.request(ctx, http.MethodGet, pathSource, url.Values{"run": {id}, "bytes": {strconv.FormatInt(n, 10)}}, nil)
	if err != nil {
		return 0, err
	}
	if ph.cfg.Source != "" {
		req.Header.Set("Range", "bytes=0-"+strconv.FormatInt(n-1, 10)) // who does not know it sends all, and is cut off
	}
	resp, err := ph.client.RoundTrip(req)
	if err != nil {
		return 0, err
	}
	defer resp.Body.Close()
	if err := unfit(resp); err != nil {
		return 0, err
	}
	if resp.ContentLength >= 0 && resp.ContentLength < shortestBody && resp.ContentLength < n {
		return 0, fmt.Errorf("%d bytes instead of test data", resp.ContentLength)
	}
	congestion(resp.Header.Get(headerCongestion))
	buf := make([]byte, piece)
	for {
		k, err := resp.Body.Read(buf)
		total += int64(k)
		got(k)
		switch {
		case errors.Is(err, io.EOF):
			return total, nil
		case err != nil:
			return total, fmt.Errorf("after %d bytes: %w", total, err)
		}
	}
}

// post sends n bytes of noise.
func (ph *phase) post(ctx context.Context, id string, n int64, noise []byte) (sent int64, err error) {
	body := &noiseReader{noise: noise, left: n}
	req, err := ph.request(ctx, http.MethodPost, pathSink, url.Values{"run": {id}}, body)
	if err != nil {
		return 0, err
	}
	req.ContentLength = n
	req.Header.Set("Content-Type", typeNoise)
	resp, err := ph.client.RoundTrip(req)
	if err != nil {
		return n - body.remaining(), err
	}
	defer resp.Body.Close()
	if err := unfit(resp); err != nil {
		return n - body.remaining(), err
	}
	if left := body.remaining(); left > 0 {
		return n - left, fmt.Errorf("answered after %d of %d bytes were sent", n-left, n)
	}
	return n, nil
}
