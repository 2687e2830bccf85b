package forward

import (
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/http"
	"runtime"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"candlemark/agent/schedule"
)

func TestEverySampleArrivesOnceWithItsTime(t *testing.T) {
	for _, version := range []string{"1.0", "2.0", ""} {
		t.Run("receiver of "+version, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := newRig(t, &receiver{versions: version}, nil)
				s := r.run(func() { time.Sleep(time.Hour) })
				r.wantAll(2 * time.Minute)
				if len(r.reads) < 240 || r.rx.twice > 0 || s.Refused+s.Expired+s.Undated+s.Invalid > 0 || s.LastError != "" || s.Waiting > 8 {
					t.Errorf("%d reads, %d twice, status %+v", len(r.reads), r.rx.twice, s)
				}
				if n := len(r.rx.requests); n > 70 { // gatherings share requests
					t.Errorf("%d requests in an hour", n)
				}
			})
		})
	}
}

// Prometheus 2.42 does not look at the content type: it reads a 2.0 message as an
// empty one of 1.0 and answers 204.
func TestAReceiverThatTakesTwoForNothingGetsOne(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		rx := &receiver{}
		rx.before = func(_ int, r *http.Request) (*http.Response, error) {
			if strings.Contains(r.Header.Get("Content-Type"), "v2") {
				return respond(http.StatusNoContent, "")
			}
			return nil, nil
		}
		r := newRig(t, rx, nil)
		r.run(func() { time.Sleep(10 * time.Minute) })
		r.wantAll(2 * time.Minute)
	})
}

// Whatever is unwell for whatever time, everything arrives afterwards.
func TestThroughOutages(t *testing.T) {
	answer := func(code int, header ...string) func(int, *http.Request) (*http.Response, error) {
		return func(int, *http.Request) (*http.Response, error) { return respond(code, "unwell", header...) }
	}
	fail := func(err error) func(int, *http.Request) (*http.Response, error) {
		return func(int, *http.Request) (*http.Response, error) { return nil, err }
	}
	for _, tt := range []struct {
		name string
		how  func(int, *http.Request) (*http.Response, error)
		long time.Duration
		says string
	}{
		{"server error", answer(500), time.Hour, "answered 500 Internal Server Error: unwell"},
		{"unavailable", answer(503), time.Hour, "503"},
		{"too many requests", answer(429, "Retry-After", "60"), time.Hour, "429 Too Many Requests"},
		{"request time-out", answer(408), time.Hour, "408"},
		{"hang", hang, time.Hour, "no answer within 30s"},
		{"no such name", fail(&net.OpError{Op: "dial", Net: "tcp", Err: &net.DNSError{Err: "no such host", Name: "receiver.test", IsNotFound: true}}), 72 * time.Hour, "no such host"},
		{"refused connection", fail(&net.OpError{Op: "dial", Net: "tcp", Err: errors.New("connection refused")}), 72 * time.Hour, "connection refused"},
		{"connection lost", fail(&net.OpError{Op: "read", Net: "tcp", Err: errors.New("connection reset by peer")}), time.Hour, "connection reset"},
		{"TLS", fail(x509.UnknownAuthorityError{}), time.Hour, "certificate signed by unknown authority"},
		{"wrong credentials", answer(401), time.Hour, "401 Unauthorized"},
		{"wrong address", answer(404), time.Hour, "404 Not Found"},
		{"redirect", answer(302, "Location", "http://elsewhere.test/"), time.Hour, "302 Found"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if testing.Short() {
				tt.long = min(tt.long, 2*time.Hour)
			}
			synctest.Test(t, func(t *testing.T) {
				rx := &receiver{}
				begin := time.Now()
				out := func() bool { d := time.Since(begin); return d > 10*time.Minute && d < 10*time.Minute+tt.long }
				var tried atomic.Int32
				rx.before = func(i int, r *http.Request) (*http.Response, error) {
					if !out() {
						return nil, nil
					}
					tried.Add(1)
					return tt.how(i, r)
				}
				r := newRig(t, rx, nil)
				s := r.run(func() {
					time.Sleep(9*time.Minute + tt.long)
					synctest.Wait()
					if got := r.fwd.Status(); !strings.Contains(got.LastError, tt.says) || got.Waiting < 100 || !got.OldestKnown || strings.Contains(got.LastError, "receiver.test/") {
						t.Errorf("during it the status is %+v", got)
					}
					time.Sleep(time.Hour)
				})
				r.wantAll(2 * time.Minute)
				if s.Refused+s.Expired+s.Undated > 0 || s.Waiting > 8 || s.LastError != "" {
					t.Errorf("status %+v", s)
				}
				if most := int(tt.long/(90*time.Second)) + 10; int(tried.Load()) < 5 || int(tried.Load()) > most {
					t.Errorf("%d requests during %v", tried.Load(), tt.long)
				}
			})
		})
	}
}

// An answer that is lost makes the same request twice, byte for byte the same samples.
func TestALostAnswerBringsTheSameAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		rx := &receiver{}
		r := newRig(t, rx, nil)
		lose := &loser{receiver: rx, every: 3}
		fwd, err := newForwarder(r.cfg.withDefaults(), r.parts, lose)
		if err != nil {
			t.Fatal(err)
		}
		r.fwd = fwd
		r.run(func() { time.Sleep(time.Hour) })
		r.wantAll(5 * time.Minute)
		if rx.twice == 0 {
			t.Error("the test lost no answer")
		}
	})
}

// loser loses each every-th answer.
type loser struct {
	*receiver
	every, n int
}

func (l *loser) RoundTrip(r *http.Request) (*http.Response, error) {
	resp, err := l.receiver.RoundTrip(r)
	if l.n++; l.n%l.every == 0 {
		return nil, errors.New("connection reset by peer")
	}
	return resp, err
}

func TestRetryAfterIsHonoured(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		rx := &receiver{}
		rx.before = func(i int, _ *http.Request) (*http.Response, error) {
			if i == 0 {
				return respond(http.StatusTooManyRequests, "", "Retry-After", "300")
			}
			return nil, nil
		}
		r := newRig(t, rx, nil)
		r.run(func() { time.Sleep(20 * time.Minute) })
		if d := rx.requests[1].Sub(rx.requests[0]); d < 300*time.Second || d > 301*time.Second {
			t.Errorf("asked again after %v", d)
		}
	})
}

func TestCatchingUpKeepsToItsRateAndTheBudget(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		rx := &receiver{}
		var down, room atomic.Bool
		down.Store(true)
		rx.before = func(int, *http.Request) (*http.Response, error) {
			if down.Load() {
				return nil, &net.OpError{Op: "dial", Err: errors.New("network is unreachable")}
			}
			return nil, nil
		}
		r := newRig(t, rx, func(r *rig) {
			r.cfg.CatchUpBytes, r.cfg.MaxSamples = 10, 20
			r.parts.Room = func(int64) bool { return room.Load() }
		})
		r.fwd.send.moved = func() int64 { rx.mu.Lock(); defer rx.mu.Unlock(); return int64(rx.bytes) }
		r.run(func() {
			time.Sleep(6 * time.Hour)
			down.Store(false)
			time.Sleep(3 * time.Hour)
			synctest.Wait() // the forwarder looks at the budget at this same moment
			before := len(rx.of(testSeries))
			if s := r.fwd.Status(); !strings.Contains(s.Held, "data budget") || before > 240 {
				t.Errorf("with the budget spent %d arrived, status %+v", before, s)
			}
			room.Store(true)
			begin, from := time.Now(), r.fwd.send.moved()
			time.Sleep(30 * time.Minute)
			if rate := float64(r.fwd.send.moved()-from) / time.Since(begin).Seconds(); rate > 11 || rate < 5 {
				t.Errorf("%.1f bytes a second", rate)
			}
			time.Sleep(12 * time.Hour)
		})
		r.wantAll(10 * time.Minute)
	})
}

// Eight days with an outage of 72 h, and a daily budget that holds a little more than
// what a day adds: no day passes it, and all arrives in the end.
func TestThreeDaysAreCaughtUpWithinTheBudget(t *testing.T) {
	if testing.Short() {
		t.Skip("some seconds; not with -short")
	}
	synctest.Test(t, func(t *testing.T) {
		const perDay, perMonth = 190_000, 1_700_000
		begin := time.Now()
		budget := schedule.New(schedule.Config{Budget: schedule.Budget{PerDay: perDay, PerMonth: perMonth, ForwardShare: 1}})
		rx := &receiver{}
		counted, most := 0, int64(0)
		account := func() { // what the receiver got is what was used
			rx.mu.Lock()
			defer rx.mu.Unlock()
			budget.Spend(schedule.CatchingUp, int64(rx.bytes-counted))
			counted = rx.bytes
			day, month := budget.Used()
			most = max(most, day.Total())
			if day.Total() > perDay || month.Total() > perMonth {
				t.Fatalf("%v: %+v, month %+v", time.Since(begin), day, month)
			}
		}
		rx.before = func(int, *http.Request) (*http.Response, error) {
			if up := time.Since(begin); up > 24*time.Hour && up < 96*time.Hour {
				return nil, &net.OpError{Op: "dial", Err: errors.New("network is unreachable")}
			}
			return nil, nil
		}
		r := newRig(t, rx, func(r *rig) {
			r.cfg.Every, r.cfg.SendEvery, r.cfg.CatchUpBytes = 10*time.Minute, 20*time.Minute, 1<<20
			r.parts.Room = func(n int64) bool {
				account()
				budget.Due(schedule.Inputs{Up: time.Since(begin), Day: time.Now().Format(time.DateOnly)})
				left, _ := budget.Left(schedule.CatchingUp)
				return n <= left
			}
		})
		for i := range 20 {
			r.source.MustRegister(prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: fmt.Sprintf("candlemark_more_%d", i), Help: "More."}, func() float64 { return float64(time.Now().UnixNano()) }))
		}
		r.run(func() { time.Sleep(8 * 24 * time.Hour) })
		account()
		t.Logf("most in a day %d of %d bytes, %d in all", most, perDay, counted)
		if most < perDay/2 { // a request asks for 80 kB beside its body
			t.Errorf("the budget was never near its end: %d of %d in a day", most, perDay)
		}
		r.wantAll(time.Hour)
	})
}

// A series that is not exported any more ends; a stale marker says so.
func TestASeriesThatGoesEndsWithAStaleMarker(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, &receiver{}, nil)
		g := prometheus.NewGauge(prometheus.GaugeOpts{Name: "candlemark_goes", Help: "Goes."})
		r.source.MustRegister(g)
		r.run(func() {
			time.Sleep(5 * time.Minute)
			r.source.Unregister(g)
			time.Sleep(5 * time.Minute)
		})
		got := r.rx.of(`__name__="candlemark_goes" relay="stairwell"`)
		stale := 0
		for _, p := range got {
			if isStale(p.value) {
				stale++
			}
		}
		if stale != 1 || !isStale(got[len(got)-1].value) || len(got) < 20 {
			t.Errorf("%d samples, %d stale markers", len(got), stale)
		}
	})
}

// A week with outages: nothing grows.
func TestAWeekLeavesNothingBehind(t *testing.T) {
	if testing.Short() {
		t.Skip("some seconds; not with -short")
	}
	synctest.Test(t, func(t *testing.T) {
		rx := &receiver{}
		begin := time.Now()
		rx.before = func(i int, r *http.Request) (*http.Response, error) {
			switch h := int(time.Since(begin).Hours()); {
			case h%24 == 3:
				return respond(http.StatusBadGateway, "")
			case h%24 == 9:
				return hang(i, r)
			}
			return nil, nil
		}
		r := newRig(t, rx, nil)
		for i := range 40 {
			r.source.MustRegister(prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: fmt.Sprintf("candlemark_more_%d", i), Help: "More."}, func() float64 { return float64(time.Now().UnixNano()) }))
		}
		heap := func() (bytes uint64, goroutines int) {
			rx.mu.Lock()
			rx.series, rx.requests = nil, nil
			rx.mu.Unlock()
			r.mu.Lock()
			r.reads = nil
			r.mu.Unlock()
			runtime.GC()
			var m runtime.MemStats
			runtime.ReadMemStats(&m)
			return m.HeapAlloc, runtime.NumGoroutine()
		}
		s := r.run(func() {
			time.Sleep(23 * time.Hour)
			bytes, goroutines := heap()
			for day := range 7 {
				time.Sleep(24 * time.Hour)
				b, g := heap()
				if b > bytes+1<<20 || g > goroutines {
					t.Errorf("after %d days: %d bytes and %d goroutines, %d and %d at first", day+1, b, g, bytes, goroutines)
				}
			}
		})
		if j := r.journal.Status(); s.Waiting > 8 || s.Sent < 7*24*240*40 || s.Refused+s.Expired+s.Undated > 0 || j.SamplesDropped > 0 {
			t.Errorf("status %+v, journal %+v", s, j)
		}
	})
}
