package throughput

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"time"

	"github.com/showwin/speedtest-go/speedtest"

	"candlemark/probes/metered"
)

// restoreDefaultClient undoes what importing speedtest-go does: its package
// variables put the library in the place of http.DefaultClient's transport. Only
// that is undone; a transport somebody else chose stays.
func restoreDefaultClient() {
	if _, replaced := http.DefaultClient.Transport.(*speedtest.Speedtest); replaced {
		http.DefaultClient.Transport = nil
	}
}

// newClient builds the library's client by hand, since speedtest.New writes to
// http.DefaultClient every time, whatever its options say.
func newClient(g *guard, streams int) *speedtest.Speedtest {
	doer := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error {
		return http.ErrUseLastResponse // a redirect is no test data
	}}
	client := &speedtest.Speedtest{Manager: speedtest.NewDataManager()}
	speedtest.WithDoer(doer)(client)
	speedtest.WithUserConfig(&speedtest.UserConfig{MaxConnections: streams})(client)
	doer.Transport = g // which the line above had set to the library
	return client
}

// server is the far end of an attempt. The library's own record of it belongs to
// one client; each part of an attempt has a client of its own.
type server struct{ url, host string }

func (s server) on(client *speedtest.Speedtest) *speedtest.Server {
	return &speedtest.Server{URL: s.url, Host: s.host, Name: s.host, Context: client}
}

// pick settles the server: the configured one, or of the library's list the one
// that answered soonest.
func (a *attempt) pick(ctx context.Context) error {
	if a.cfg.Server != "" {
		u, err := url.Parse(a.cfg.Server)
		if err != nil {
			return err
		}
		u.Path = "/speedtest/upload.php" // the library's layout
		a.server = server{url: u.String(), host: u.Host}
		return nil
	}
	phaseCtx, ph := a.begin(ctx, pickTimeout, listing, a.left())
	defer func() { a.spent += ph.end() }()
	client := newClient(ph.guard, 1)
	type list struct {
		servers speedtest.Servers
		err     error
	}
	found := make(chan list, 1)
	go func() {
		s, err := client.FetchServerListContext(phaseCtx)
		found <- list{s, err}
	}()
	var l list
	select {
	case l = <-found:
	case <-phaseCtx.Done():
		return ph.fault(ctx, phaseCtx, errors.New("no list"))
	}
	if l.err != nil {
		return ph.fault(ctx, phaseCtx, l.err)
	}
	answered := slices.DeleteFunc(l.servers, func(s *speedtest.Server) bool {
		u, err := url.Parse(s.URL)
		return s.Latency <= 0 || err != nil || (u.Scheme != "http" && u.Scheme != "https") || u.Host == ""
	})
	if len(answered) == 0 {
		return ph.fault(ctx, phaseCtx, errors.New("no server on the list answers"))
	}
	best := slices.MinFunc(answered, func(x, y *speedtest.Server) int { return cmp.Compare(x.Latency, y.Latency) })
	u, err := url.Parse(best.URL)
	if err != nil {
		return err
	}
	a.server = server{url: best.URL, host: u.Host}
	return nil
}

// idle is the least of a few round trips before any load.
func (a *attempt) idle(ctx context.Context) (time.Duration, error) {
	const echoes, pause = 3, 100 * time.Millisecond
	phaseCtx, ph := a.begin(ctx, idleTimeout, idling, a.left())
	defer func() { a.spent += ph.end() }()
	nanoseconds, err := a.server.on(newClient(ph.guard, 1)).HTTPPing(phaseCtx, echoes, pause, nil)
	if err != nil || len(nanoseconds) == 0 {
		return 0, ph.fault(ctx, phaseCtx, errors.New("no answer"))
	}
	return time.Duration(slices.Min(nanoseconds)), nil
}

type direction string

const (
	down direction = "down"
	up   direction = "up"
)

// errDeadline ends a transfer, as do metered's errors and the library's own time.
var errDeadline = errors.New("deadline passed")

// transfer loads one direction until the library's time, the deadline, the byte
// budget or ctx ends it, and gives the figure and what stopped it.
func (a *attempt) transfer(ctx context.Context, d direction, budget int64) (f figure, stoppedBy string, err error) {
	if budget <= 0 {
		return figure{}, "byte_budget", metered.ErrBudget
	}
	phaseCtx, ph := a.begin(ctx, a.cfg.Deadline, loading, budget)
	capture := a.cfg.Deadline - min(a.cfg.Deadline/10, 300*time.Millisecond)
	ph.guard.libraryEnd = ph.guard.meter.start.Add(capture)
	client := newClient(ph.guard, a.cfg.Streams)
	client.SetCaptureTime(capture)
	far := a.server.on(client)
	ran := make(chan struct{})
	go func() {
		// The library's own figures and errors say too little to be used.
		if d == down {
			_ = far.DownloadTestContext(phaseCtx)
		} else {
			_ = far.UploadTestContext(phaseCtx)
		}
		close(ran)
	}()
	select {
	case <-ran:
	case <-phaseCtx.Done():
	}
	end := time.Now()
	cause := context.Cause(phaseCtx)
	a.spent += ph.end()

	switch {
	case ctx.Err() != nil:
		return figure{}, "", fmt.Errorf("interrupted: %w", context.Cause(ctx))
	case errors.Is(cause, metered.ErrBudget):
		stoppedBy = "byte_budget"
	case errors.Is(cause, errDeadline):
		stoppedBy = "deadline"
	case cause != nil:
		return figure{}, "", cause // the guard gave up
	}
	f, err = ph.guard.meter.figure(end)
	if err != nil {
		if last := ph.guard.lastFailure(); last != nil {
			err = fmt.Errorf("%w (%w)", err, last)
		}
	}
	return f, stoppedBy, err
}
