package throughput

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"
	"sync"
	"time"

	"candlemark/probes/metered"
)

const (
	shortestBody  = 64 * kibi // test data are megabytes, error pages kilobytes
	failurePause  = 200 * time.Millisecond
	failuresInRow = 8 // end a transfer
)

// stage is what a phase of an attempt is for, which decides what an answer must
// look like.
type stage int

const (
	listing stage = iota // the server list and its pings
	idling               // idle round trips
	loading              // test data, one way
)

// phase is one bounded part of an attempt, with connections of its own.
type phase struct {
	cancel context.CancelCauseFunc
	stop   context.CancelFunc
	limit  time.Duration
	group  *metered.Group
	guard  *guard
}

// begin starts a phase under ctx with bounds of its own. The context given back
// ends with it, and its cause tells which bound was met.
func (a *attempt) begin(ctx context.Context, limit time.Duration, st stage, budget int64) (context.Context, *phase) {
	ph := &phase{limit: limit}
	ctx, ph.cancel = context.WithCancelCause(ctx)
	ctx, ph.stop = context.WithTimeoutCause(ctx, limit, errDeadline)
	ph.group = metered.NewGroup(budget, func() { ph.cancel(metered.ErrBudget) }, nil)
	ph.guard = &guard{
		done: ctx.Done(), giveUp: ph.cancel, next: a.transport(ctx, ph.group), stage: st,
		meter: &meter{start: time.Now()},
	}
	return ctx, ph
}

// end stops everything the phase started and gives the bytes it cost.
func (ph *phase) end() int64 {
	ph.cancel(metered.ErrOver)
	ph.stop()
	return ph.group.Close()
}

// fault says why a phase came to nothing: the end of its caller or its bounds
// first, then what the guard saw, then what is otherwise known.
func (ph *phase) fault(ctx, phaseCtx context.Context, otherwise error) error {
	switch cause := context.Cause(phaseCtx); {
	case ctx.Err() != nil:
		return fmt.Errorf("interrupted: %w", context.Cause(ctx))
	case errors.Is(cause, metered.ErrBudget):
		return metered.ErrBudget
	case errors.Is(cause, errDeadline):
		return fmt.Errorf("%w within %v", otherwise, ph.limit)
	}
	if last := ph.guard.lastFailure(); last != nil {
		return last
	}
	return otherwise
}

// guard stands between the library and the network. It lets through what is test
// data, counts that, remembers what was wrong with the rest, and slows a caller
// that would try again at once.
type guard struct {
	done       <-chan struct{} // the phase is over
	giveUp     context.CancelCauseFunc
	next       http.RoundTripper
	stage      stage
	meter      *meter
	libraryEnd time.Time // when the library stops by itself, in stage loading

	mu    sync.Mutex
	inRow int   // failures since the last good answer
	last  error // the last failure
}

func (g *guard) over() bool {
	select {
	case <-g.done:
		return true
	default:
		return false
	}
}

// RoundTrip implements http.RoundTripper.
func (g *guard) RoundTrip(req *http.Request) (*http.Response, error) {
	if g.over() {
		g.hold()
		if req.Body != nil {
			_ = req.Body.Close() // as a RoundTripper must
		}
		return nil, metered.ErrOver
	}
	req = req.Clone(req.Context())
	req.Header.Set("User-Agent", "candlemark")
	var sent *sentBody
	if req.Body != nil {
		sent = &sentBody{ReadCloser: req.Body, meter: g.meter}
		req.Body = sent
	}
	resp, err := g.next.RoundTrip(req)
	if err == nil {
		if err = g.unfit(req, resp, sent); err != nil {
			_ = resp.Body.Close() // not wanted
		}
	}
	if err != nil {
		// What an upload had sent when the measurement ended counts; what was
		// refused or lost on the way does not.
		if sent != nil && req.Context().Err() == nil {
			sent.takeBack()
		}
		err = fmt.Errorf("%s %s: %w", req.Method, req.URL.Path, err)
		g.failed(req, err)
		return nil, err
	}
	if g.stage == loading && sent == nil {
		resp.Body = &receivedBody{ReadCloser: resp.Body, guard: g, req: req}
	} else {
		g.good()
	}
	return resp, nil
}

// unfit says what is wrong with an answer, nil if nothing.
func (g *guard) unfit(req *http.Request, resp *http.Response, sent *sentBody) error {
	kind := strings.ToLower(resp.Header.Get("Content-Type"))
	switch {
	case resp.StatusCode >= 300 && resp.StatusCode < 400:
		return fmt.Errorf("%s: redirected, as by a sign-in page", resp.Status)
	case resp.StatusCode < 200 || resp.StatusCode > 299:
		return errors.New(resp.Status)
	case sent != nil && sent.count() < req.ContentLength:
		return fmt.Errorf("answered after %d of %d bytes were sent", sent.count(), req.ContentLength)
	case sent != nil, g.stage == listing:
		return nil
	case strings.HasPrefix(kind, "text/html"), g.stage == loading && (strings.HasPrefix(kind, "text/") ||
		strings.Contains(kind, "json") || strings.Contains(kind, "xml")):
		return fmt.Errorf("a page of %s instead of test data, as from a sign-in page", kind)
	case g.stage == loading && resp.ContentLength >= 0 && resp.ContentLength < shortestBody:
		return fmt.Errorf("%d bytes instead of test data", resp.ContentLength)
	}
	return nil
}

func (g *guard) good() {
	g.mu.Lock()
	g.inRow = 0
	g.mu.Unlock()
}

// failed notes a failure, ends a transfer after too many in a row, and pauses.
// A request whose context is over did not fail: the phase ended, or the library's
// own time did.
func (g *guard) failed(req *http.Request, err error) {
	if g.over() {
		g.hold()
		return
	}
	if req.Context().Err() != nil {
		return
	}
	g.mu.Lock()
	g.last = err
	g.inRow++
	enough := g.stage == loading && g.inRow >= failuresInRow
	g.mu.Unlock()
	if enough {
		g.giveUp(fmt.Errorf("%d requests in a row went wrong: %w", failuresInRow, err))
	}
	pause := time.NewTimer(failurePause)
	defer pause.Stop()
	select {
	case <-pause.C:
	case <-g.done:
		g.hold()
	}
}

// hold keeps a worker of the library until the library's own time is over, after
// which it ends instead of asking again.
func (g *guard) hold() {
	time.Sleep(max(time.Until(g.libraryEnd), failurePause/10))
}

func (g *guard) lastFailure() error {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.last
}

// receivedBody counts a download.
type receivedBody struct {
	io.ReadCloser
	guard *guard
	req   *http.Request
	n     int64
	ended bool
}

func (b *receivedBody) Read(p []byte) (int, error) {
	n, err := b.ReadCloser.Read(p)
	if !b.guard.over() {
		b.n += int64(n)
		b.guard.meter.add(int64(n), time.Now())
	}
	if err != nil && !b.ended {
		b.ended = true
		b.finish(err)
	}
	return n, err
}

func (b *receivedBody) finish(err error) {
	long := b.n >= shortestBody
	if long {
		b.guard.good()
	}
	switch {
	case err != io.EOF:
		b.guard.failed(b.req, fmt.Errorf("GET %s: after %d bytes: %w", b.req.URL.Path, b.n, err))
	case !long: // a page, not test data
		b.guard.meter.add(-b.n, time.Now())
		b.guard.failed(b.req, fmt.Errorf("GET %s: %d bytes instead of test data", b.req.URL.Path, b.n))
	}
}

// sentBody counts an upload. The transport may go on reading it after the answer
// has come.
type sentBody struct {
	io.ReadCloser
	meter *meter

	mu   sync.Mutex
	n    int64
	void bool
}

func (b *sentBody) Read(p []byte) (int, error) {
	n, err := b.ReadCloser.Read(p)
	b.mu.Lock()
	defer b.mu.Unlock()
	b.n += int64(n)
	if !b.void {
		b.meter.add(int64(n), time.Now())
	}
	return n, err
}

func (b *sentBody) count() int64 {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.n
}

func (b *sentBody) takeBack() {
	b.mu.Lock()
	defer b.mu.Unlock()
	if !b.void {
		b.void = true
		b.meter.add(-b.n, time.Now())
	}
}
