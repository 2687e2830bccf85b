package reflector

import (
	"context"
	"crypto/tls"
	"net"
	"net/http"
	"net/http/httptrace"
	"sync"
	"time"

	"candlemark/probes"
	"candlemark/probes/quality"
)

const (
	foreignOctets    = 5000 // what one request on a connection of its own costs, by the draft
	mostForeignEvery = 50 * time.Millisecond
	mostAtOnce       = 16
)

// working measures while the link is loaded.
type working struct {
	*attempt
	load    *load
	packets chan probes.Result
	stop    context.CancelFunc // nil until it has started
	asking  sync.WaitGroup

	mu     sync.Mutex
	delays probes.WorkingDelays
	bytes  int64 // valid once finished
}

func (a *attempt) newWorking(l *load) *working {
	return &working{attempt: a, load: l, packets: make(chan probes.Result, 1)}
}

// start begins the measurement on a link that carries rate; the channel is closed
// when the load is no longer needed. Packets sent until then may be waited for
// longer, which ctx bounds.
func (w *working) start(ctx context.Context, rateBitS float64) <-chan struct{} {
	ctx, w.stop = context.WithCancel(ctx)
	go func() {
		var r probes.Result
		if w.busy != nil {
			r = w.busy.Probe(ctx)
		}
		w.packets <- r
	}()
	done := make(chan struct{})
	w.asking.Go(func() {
		defer close(done)
		w.ask(ctx, rateBitS)
	})
	return done
}

// ask makes requests on connections of their own, as many as use no more than the
// draft's share of the capacity.
func (w *working) ask(ctx context.Context, rateBitS float64) {
	every := max(time.Duration(foreignOctets*8/(quality.ProbeCapacityShare*rateBitS)*1e9), mostForeignEvery)
	tick := time.NewTicker(every)
	defer tick.Stop()
	end := time.NewTimer(w.cfg.WorkingFor)
	defer end.Stop()
	places := make(chan struct{}, mostAtOnce)
	for {
		select {
		case places <- struct{}{}:
			w.asking.Go(func() {
				defer func() { <-places }()
				w.foreign(ctx)
			})
		default: // the answers are slow; that shows in those that come
		}
		if info, ok := w.load.wire.info(); ok && w.load.way == up && info.rtt > 0 {
			w.mu.Lock()
			w.delays.Loaded = append(w.delays.Loaded, info.rtt)
			w.mu.Unlock()
		}
		select {
		case <-tick.C:
		case <-end.C:
			return
		case <-ctx.Done():
			return
		}
	}
}

// foreign makes one request on a connection of its own and keeps its times.
func (w *working) foreign(ctx context.Context) {
	ctx, ph := w.begin(ctx, 10*time.Second, 64<<10)
	defer func() {
		n := ph.end()
		w.mu.Lock()
		w.bytes += withHeaders(n)
		w.mu.Unlock()
	}()
	var connect, shake, asked time.Time
	var tcp, tlsTime time.Duration
	trace := &httptrace.ClientTrace{
		TLSHandshakeStart: func() { shake = time.Now() },
		TLSHandshakeDone: func(s tls.ConnectionState, _ error) {
			tlsTime = time.Since(shake)
			if s.Version < tls.VersionTLS13 {
				tlsTime /= 2 // the draft wants one round trip; TLS 1.2 takes two
			}
		},
		WroteRequest: func(httptrace.WroteRequestInfo) { asked = time.Now() },
	}
	dial := ph.client.DialContext
	ph.client.DialContext = func(ctx context.Context, network, address string) (net.Conn, error) {
		connect = time.Now()
		c, err := dial(ctx, network, address)
		tcp = time.Since(connect)
		return c, err
	}
	req, err := ph.request(httptrace.WithClientTrace(ctx, trace), http.MethodGet, pathSmall, nil, nil)
	if err != nil {
		return
	}
	if err := ph.smallOver(req, ph.client); err != nil {
		return // one that did not come back has no time
	}
	answered := time.Since(asked)
	w.mu.Lock()
	defer w.mu.Unlock()
	w.delays.TCP = append(w.delays.TCP, tcp)
	w.delays.HTTP = append(w.delays.HTTP, answered)
	if tlsTime > 0 {
		w.delays.TLS = append(w.delays.TLS, tlsTime)
	}
}

// finish waits for all that was started, and gives what was measured. Where the load
// was over before the measurement was, that is nothing: part of it saw an idle link.
func (w *working) finish(loaded bool) (*probes.LatencyStats, *probes.WorkingDelays) {
	if w.stop == nil {
		return nil, nil
	}
	if !loaded {
		w.stop()
	}
	r := <-w.packets
	w.stop()
	w.asking.Wait()
	w.mu.Lock()
	defer w.mu.Unlock()
	w.bytes += r.Bytes
	if !loaded {
		return nil, nil
	}
	return r.Latency, &w.delays
}
