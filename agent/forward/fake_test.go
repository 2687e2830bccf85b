package forward

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/klauspost/compress/snappy"
	writev2 "github.com/prometheus/client_golang/exp/api/remote/genproto/v2"
	"github.com/prometheus/client_golang/prometheus"
	"go.uber.org/goleak"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	"candlemark/agent/journal"
	"candlemark/agent/status"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// point is a sample as a receiver holds it.
type point struct {
	ms    int64
	value float64
}

// receiver is a remote-write receiver behind http.RoundTripper, so that it also
// works on the fake clock of synctest. Like Prometheus it takes a request whole or
// not at all.
type receiver struct {
	versions string // understood: "1.0", "2.0" or both; "" is both
	// before says how request number i is answered without a look at it; nil is no such.
	before func(i int, r *http.Request) (*http.Response, error)
	// refuse says in words why a sample is not taken, "" when it is.
	refuse func(series string, p point) string

	mu       sync.Mutex
	requests []time.Time
	largest  int // body, bytes
	bytes    int
	series   map[string][]point
	twice    int // samples received again, the same
	clash    int // and another
}

func (f *receiver) RoundTrip(r *http.Request) (*http.Response, error) {
	body, err := io.ReadAll(r.Body)
	if err != nil {
		return nil, err
	}
	f.mu.Lock()
	i := len(f.requests)
	f.requests = append(f.requests, time.Now())
	f.bytes += len(body)
	f.largest = max(f.largest, len(body))
	f.mu.Unlock()
	if f.before != nil {
		if resp, err := f.before(i, r); resp != nil || err != nil {
			return resp, err
		}
	}
	v2 := strings.Contains(r.Header.Get("Content-Type"), "write.v2")
	if v2 && f.versions == "1.0" || !v2 && f.versions == "2.0" {
		return respond(http.StatusUnsupportedMediaType, "not this version")
	}
	plain, err := snappy.Decode(nil, body)
	if err != nil {
		return respond(http.StatusBadRequest, err.Error())
	}
	decode := decode1
	if v2 {
		decode = decode2
	}
	got, err := decode(plain)
	if err != nil {
		return respond(http.StatusBadRequest, err.Error())
	}
	return f.take(got, v2)
}

func (f *receiver) take(got map[string][]point, v2 bool) (*http.Response, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	n := 0
	for series, points := range got {
		for _, p := range points {
			if f.refuse != nil {
				if why := f.refuse(series, p); why != "" {
					code := http.StatusBadRequest
					if why == "too old sample" { // Prometheus 2.42
						code = http.StatusInternalServerError
					}
					return respond(code, why)
				}
			}
			n++
		}
	}
	if f.series == nil {
		f.series = map[string][]point{}
	}
	for series, points := range got {
		for _, p := range points {
			f.store(series, p)
		}
	}
	if v2 {
		return respond(http.StatusNoContent, "", "X-Prometheus-Remote-Write-Samples-Written", strconv.Itoa(n))
	}
	return respond(http.StatusNoContent, "")
}

func (f *receiver) store(series string, p point) {
	have := f.series[series]
	for i := len(have) - 1; i >= 0 && have[i].ms >= p.ms; i-- {
		if have[i].ms == p.ms {
			if math.Float64bits(have[i].value) == math.Float64bits(p.value) {
				f.twice++
			} else {
				f.clash++
			}
			return
		}
	}
	f.series[series] = append(have, p)
}

func (f *receiver) asked() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return len(f.requests)
}

func (f *receiver) of(series string) []point {
	f.mu.Lock()
	defer f.mu.Unlock()
	return append([]point(nil), f.series[series]...)
}

func respond(code int, said string, header ...string) (*http.Response, error) {
	r := &http.Response{StatusCode: code, Status: fmt.Sprint(code), Header: http.Header{}, Body: io.NopCloser(strings.NewReader(said))}
	for i := 0; i+1 < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	return r, nil
}

// fields takes a protobuf message apart by number.
func fields(b []byte, each func(n protowire.Number, typ protowire.Type, v []byte, u uint64) error) error {
	for len(b) > 0 {
		n, typ, l := protowire.ConsumeTag(b)
		if l < 0 {
			return protowire.ParseError(l)
		}
		b = b[l:]
		var v []byte
		var u uint64
		switch typ {
		case protowire.BytesType:
			v, l = protowire.ConsumeBytes(b)
		case protowire.Fixed64Type:
			u, l = protowire.ConsumeFixed64(b)
		case protowire.VarintType:
			u, l = protowire.ConsumeVarint(b)
		default:
			return errors.New("a type that is not in the message")
		}
		if l < 0 {
			return protowire.ParseError(l)
		}
		b = b[l:]
		if err := each(n, typ, v, u); err != nil {
			return err
		}
	}
	return nil
}

// decode1 reads a prometheus.WriteRequest.
func decode1(b []byte) (map[string][]point, error) {
	out := map[string][]point{}
	err := fields(b, func(n protowire.Number, _ protowire.Type, ts []byte, _ uint64) error {
		if n != 1 {
			return nil // as a reader of 1.0 skips what 2.0 says
		}
		var name strings.Builder
		var points []point
		err := fields(ts, func(n protowire.Number, _ protowire.Type, part []byte, _ uint64) error {
			var p point
			var text [3]string
			err := fields(part, func(m protowire.Number, typ protowire.Type, v []byte, u uint64) error {
				switch {
				case n == 1 && m <= 2:
					text[m] = string(v)
				case n == 2 && m == 1:
					p.value = math.Float64frombits(u)
				case n == 2 && m == 2:
					p.ms = int64(u)
				}
				return nil
			})
			if n == 1 {
				fmt.Fprintf(&name, "%s=%q ", text[1], text[2])
			} else if n == 2 {
				points = append(points, p)
			}
			return err
		})
		out[strings.TrimSpace(name.String())] = points
		return err
	})
	return out, err
}

// decode2 reads an io.prometheus.write.v2.Request.
func decode2(b []byte) (map[string][]point, error) {
	var m writev2.Request
	if err := proto.Unmarshal(b, &m); err != nil {
		return nil, err
	}
	out := map[string][]point{}
	for _, ts := range m.Timeseries {
		var name []string
		for i := 0; i+1 < len(ts.LabelsRefs); i += 2 {
			name = append(name, fmt.Sprintf("%s=%q", m.Symbols[ts.LabelsRefs[i]], m.Symbols[ts.LabelsRefs[i+1]]))
		}
		for _, s := range ts.Samples {
			out[strings.Join(name, " ")] = append(out[strings.Join(name, " ")], point{s.Timestamp, s.Value})
		}
	}
	return out, nil
}

// rig is a forwarder with a real journal, a clock and a counter that tells at
// which time it was read.
type rig struct {
	t       testing.TB
	start   time.Time // the wall time of uptime 0, as this process has it
	journal *journal.Journal
	clock   *testClock
	source  *prometheus.Registry
	rx      *receiver
	cfg     Config
	parts   Parts
	fwd     *Forwarder

	mu    sync.Mutex
	reads []time.Duration // uptimes at which the source was read
}

// testClock is the truth, or nothing while known is false.
type testClock struct {
	mu    sync.Mutex
	start time.Time
	boot  string
	known bool
	shift time.Duration
}

func (c *testClock) Uptime() time.Duration { return time.Since(c.start) }

func (c *testClock) Wall(boot string, up time.Duration) (time.Time, bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if boot != c.boot || !c.known {
		return time.Time{}, false
	}
	return c.start.Add(up + c.shift), true
}

func (c *testClock) set(known bool, shift time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.known, c.shift = known, shift
}

func newRig(t testing.TB, rx *receiver, change func(*rig)) *rig {
	t.Helper()
	dir := t.TempDir()
	if info, err := os.Stat("/dev/shm"); err == nil && info.IsDir() { // a sync there costs nothing
		if shm, err := os.MkdirTemp("/dev/shm", "candlemark-test-"); err == nil {
			dir = shm
			t.Cleanup(func() { _ = os.RemoveAll(shm) })
		}
	}
	j, err := journal.Open(filepath.Join(dir, "j.db"), journal.Options{Boot: "boot-1"})
	if err != nil {
		t.Fatal(err)
	}
	r := &rig{t: t, start: time.Now(), journal: j, rx: rx, source: prometheus.NewRegistry()}
	r.clock = &testClock{start: r.start, boot: "boot-1", known: true}
	r.source.MustRegister(prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: "candlemark_test_seconds", Help: "Uptime."}, func() float64 {
		r.mu.Lock()
		defer r.mu.Unlock()
		r.reads = append(r.reads, time.Since(r.start))
		return time.Since(r.start).Seconds()
	}))
	r.cfg = Config{URL: "http://receiver.test/api/v1/write", Relay: "stairwell"}
	r.parts = Parts{Source: r.source, Backlog: j, Clock: r.clock, Boot: "boot-1"}
	if change != nil {
		change(r)
	}
	if r.fwd, err = newForwarder(r.cfg.withDefaults(), r.parts, rx); err != nil {
		t.Fatal(err)
	}
	return r
}

// run runs forwarder and journal on the fake clock while do works.
func (r *rig) run(do func()) status.Forward {
	r.t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	var all sync.WaitGroup
	var errs [2]error
	all.Go(func() { errs[0] = r.fwd.Run(ctx) })
	all.Go(func() { errs[1] = r.journal.Run(ctx) })
	do()
	synctest.Wait()
	s := r.fwd.Status()
	cancel()
	all.Wait()
	if err := errors.Join(errs[0], errs[1], r.journal.Close()); err != nil {
		r.t.Error(err)
	}
	return s
}

// wasRead is how many times the source was read.
func (r *rig) wasRead() int {
	r.mu.Lock()
	defer r.mu.Unlock()
	return len(r.reads)
}

const testSeries = `__name__="candlemark_test_seconds" relay="stairwell"`

// wantAll checks that every read up to before the last minutes arrived, once, in
// order, with the time at which it was taken.
func (r *rig) wantAll(last time.Duration) {
	r.t.Helper()
	r.mu.Lock()
	defer r.mu.Unlock()
	r.rx.mu.Lock()
	clash := r.rx.clash
	r.rx.mu.Unlock()
	if clash > 0 {
		r.t.Errorf("%d samples came with another figure than before", clash)
	}
	got := r.rx.of(testSeries)
	for i, up := range r.reads {
		if up > time.Since(r.start)-last {
			break
		}
		if i >= len(got) {
			r.t.Fatalf("%d of %d samples arrived", len(got), len(r.reads))
		}
		if want := r.start.Add(up).UnixMilli(); got[i].ms != want || got[i].value != up.Seconds() {
			r.t.Fatalf("sample %d is %v at %d, want %v at %d", i, got[i].value, got[i].ms, up.Seconds(), want)
		}
	}
}

func hang(_ int, r *http.Request) (*http.Response, error) {
	<-r.Context().Done()
	return nil, r.Context().Err()
}

func isStale(v float64) bool { return math.Float64bits(v) == staleBits }
