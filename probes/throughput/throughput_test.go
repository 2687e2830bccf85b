package throughput

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"net/http"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"
	"golang.org/x/sys/unix"

	"candlemark/probes"
	"candlemark/probes/metered"
	"candlemark/probes/probetest"
)

// The library's workers may outlive a probe by no more than its deadline, 1 s
// here; its timer for adapting upload workers adds up to 1 s.
func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const ms = time.Millisecond

func newTest(t *testing.T, server string, change func(*Config)) *prober {
	t.Helper()
	cfg := Config{Name: "sky", Section: probes.Uplink, Server: server, Streams: 2,
		MaxBytes: 20_000_000, Deadline: time.Second, Down: true, Up: true}
	if change != nil {
		change(&cfg)
	}
	p, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	return p.(*prober)
}

func onlyDown(c *Config) { c.Up = false }
func onlyUp(c *Config)   { c.Down = false }

// settled fails unless every goroutine begun since base was taken ends within most.
func settled(t *testing.T, base goleak.Option, most time.Duration) {
	t.Helper()
	start := time.Now()
	for {
		err := goleak.Find(base)
		if err == nil {
			return
		}
		if time.Since(start) > most {
			t.Errorf("after %v: %v", most, err)
			return
		}
	}
}

func cpuTime(t *testing.T) time.Duration {
	t.Helper()
	var u unix.Rusage
	if err := unix.Getrusage(unix.RUSAGE_SELF, &u); err != nil {
		t.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// The double passes 1 MB/s on each of two connections: 16 Mbit/s.
func TestFigureOfAServerWithAKnownRate(t *testing.T) {
	s := probetest.NewServer(t, probetest.Paced)
	r := newTest(t, s.URL, func(c *Config) { c.Deadline = 3 * time.Second }).Probe(t.Context())
	if r.Err != nil {
		t.Fatal(r.Err)
	}
	got := r.Throughput
	if !got.DownKnown || !got.UpKnown || !got.IdleRTTKnown || got.IdleRTT <= 0 || got.StoppedBy != "" {
		t.Fatalf("stats %+v", *got)
	}
	const want = 2 * 8 * probetest.BytesPerSecond
	for name, rate := range map[string]float64{"down": got.Down, "up": got.Up} {
		if math.Abs(rate-want) > 0.15*want {
			t.Errorf("%s %.2f Mbit/s, want %.2f within 15 %%", name, rate/1e6, float64(want)/1e6)
		}
	}
	if rate := 8 * float64(got.DownBytes) / got.DownTime.Seconds(); math.Abs(rate-got.Down) > 1 {
		t.Errorf("%d bytes in %v are %.0f bit/s, not %.0f", got.DownBytes, got.DownTime, rate, got.Down)
	}
	if moved := s.Sent() + s.Taken(); r.Bytes < moved*9/10 || r.Bytes > 20_000_000 {
		t.Errorf("cost %d bytes, the server moved %d", r.Bytes, moved)
	}
	if answered, known := r.Answered(); !answered || !known {
		t.Errorf("answered %v, known %v", answered, known)
	}
}

func TestByteBudgetEndsEachDirection(t *testing.T) {
	s := probetest.NewServer(t, probetest.Paced)
	start := time.Now()
	r := newTest(t, s.URL, func(c *Config) { c.MaxBytes, c.Deadline = 2_000_000, 10*time.Second }).Probe(t.Context())
	if r.Err != nil {
		t.Fatal(r.Err)
	}
	if r.Throughput.StoppedBy != "byte_budget" || !r.Throughput.DownKnown || !r.Throughput.UpKnown {
		t.Errorf("stats %+v", *r.Throughput)
	}
	if r.Bytes > 2_000_000 || r.Bytes < 1_500_000 {
		t.Errorf("cost %d of 2000000 bytes", r.Bytes)
	}
	if took := time.Since(start); took > 4*time.Second {
		t.Errorf("caller free after %v", took)
	}
}

func TestByteBudgetHoldsAgainstAFastServer(t *testing.T) {
	s := probetest.NewServer(t, probetest.OK)
	r := newTest(t, s.URL, func(c *Config) { c.MaxBytes, c.Streams = 3_000_000, 8 }).Probe(t.Context())
	if r.Bytes > 3_000_000 || r.Bytes < 1_000_000 {
		t.Errorf("cost %d of 3000000 bytes", r.Bytes)
	}
	if r.Err == nil && r.Throughput.StoppedBy != "byte_budget" {
		t.Errorf("stopped by %q", r.Throughput.StoppedBy)
	}
}

// Each way to go wrong: no figure is made up, the text names place and cause, and
// time, bytes and processor stay within bounds.
func TestServersThatMisbehave(t *testing.T) {
	const overhead = time.Second
	for _, c := range []struct {
		name   string
		mode   probetest.Mode
		refuse bool
		change func(*Config)
		words  []string
		within time.Duration
		bytes  int64
	}{
		{name: "refused", refuse: true, words: []string{"latency.txt", "connection refused"}, within: overhead, bytes: 0},
		{name: "everything 404", mode: probetest.NotFound, words: []string{"latency.txt", "404 Not Found"}, within: overhead, bytes: 10_000},
		{name: "sign-in redirect", mode: probetest.SignIn, words: []string{"302 Found", "sign-in"}, within: overhead, bytes: 10_000},
		{name: "portal answers 200", mode: probetest.Portal, words: []string{"text/html", "sign-in"}, within: overhead, bytes: 1_000_000},
		{name: "hung", mode: probetest.Hang, words: []string{"no answer within 5s"}, within: idleTimeout + overhead, bytes: 10_000},
		{name: "no files, long error pages", mode: probetest.NoFiles, words: []string{"down: ", "up: ", "404 Not Found", "in a row"}, within: 2*time.Second + overhead, bytes: 20_000_000},
		{name: "short bodies and unread uploads", mode: probetest.Short, words: []string{"down: ", "100 bytes instead of test data", "up: ", "bytes were sent"}, within: 2*time.Second + overhead, bytes: 20_000_000},
		{name: "hung transfer", mode: probetest.HangData, words: []string{"down: no test data in 0.9 s", "up: stalled"}, within: 2*time.Second + overhead, bytes: 10_000_000},
		{name: "stalled transfer", mode: probetest.Stall, words: []string{"down: stalled: nothing in the last", "up: stalled"}, within: 2*time.Second + overhead, bytes: 10_000_000},
		{name: "vanishes in a download", mode: probetest.Vanish, change: onlyDown, words: []string{"down: ", "connection refused"}, within: time.Second + overhead, bytes: 2_000_000},
		{name: "vanishes in an upload", mode: probetest.Vanish, change: onlyUp, words: []string{"up: ", "connection refused"}, within: 2*time.Second + overhead, bytes: 10_000_000},
		{name: "uploads answered early", mode: probetest.EarlyAnswer, change: onlyUp, words: []string{"up: ", "bytes were sent"}, within: 2*time.Second + overhead, bytes: 20_000_000},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			url := probetest.RefusingURL(t)
			if !c.refuse {
				url = probetest.NewServer(t, c.mode).URL
			}
			p := newTest(t, url, c.change)
			before := cpuTime(t)
			r := p.Probe(t.Context())
			used := cpuTime(t) - before
			if r.Err == nil || r.Throughput != nil {
				t.Fatalf("error %v, stats %+v", r.Err, r.Throughput)
			}
			for _, w := range append(c.words, "throughput sky (", strings.TrimPrefix(url, "http://")) {
				if !strings.Contains(r.Err.Error(), w) {
					t.Errorf("error %q does not say %q", r.Err, w)
				}
			}
			if r.Elapsed > c.within {
				t.Errorf("took %v, bound %v", r.Elapsed, c.within)
			}
			if r.Bytes > c.bytes {
				t.Errorf("cost %d bytes, bound %d", r.Bytes, c.bytes)
			}
			if used > time.Second/2+r.Elapsed/5 {
				t.Errorf("used %v of processor time in %v", used, r.Elapsed)
			}
			if _, known := r.Answered(); known {
				t.Error("a server's fault says something about the link")
			}
			t.Logf("%v, %d bytes, %v processor: %v", r.Elapsed.Round(ms), r.Bytes, used.Round(ms), r.Err)
		})
	}
}

// 10 bytes every 50 ms on each of two connections are 3.2 kbit/s: slow, but a
// measurement.
func TestSlowDripIsMeasuredAsWhatItIs(t *testing.T) {
	s := probetest.NewServer(t, probetest.Drip)
	r := newTest(t, s.URL, onlyDown).Probe(t.Context())
	if r.Err != nil {
		t.Fatal(r.Err)
	}
	if got := r.Throughput.Down; got < 2000 || got > 4400 {
		t.Errorf("%.0f bit/s, want about 3200", got)
	}
	if r.Throughput.UpKnown {
		t.Error("an upload that was not asked for is known")
	}
	if r.Elapsed > 3*time.Second {
		t.Errorf("took %v", r.Elapsed)
	}
}

func TestOneDirectionKnownBesideTheFaultOfTheOther(t *testing.T) {
	s := probetest.NewServer(t, probetest.EarlyAnswer)
	r := newTest(t, s.URL, func(c *Config) { c.MaxBytes = 2_000_000_000 }).Probe(t.Context())
	if r.Throughput == nil || !r.Throughput.DownKnown || r.Throughput.UpKnown {
		t.Fatalf("stats %+v", r.Throughput)
	}
	if r.Err == nil || !strings.Contains(r.Err.Error(), "up: ") || strings.Contains(r.Err.Error(), "down: ") {
		t.Errorf("error %v", r.Err)
	}
}

func TestCallerIsFreeAtOnceAndNothingLasts(t *testing.T) {
	base := goleak.IgnoreCurrent()
	for name, after := range map[string]time.Duration{"before the first byte": 50 * ms, "in mid-transfer": 700 * ms} {
		t.Run(name, func(t *testing.T) {
			s := probetest.NewServer(t, probetest.Paced)
			p := newTest(t, s.URL, onlyDown)
			ctx, cancel := context.WithTimeout(t.Context(), after)
			defer cancel()
			r := p.Probe(ctx)
			if !errors.Is(r.Err, context.DeadlineExceeded) || r.Throughput != nil {
				t.Errorf("error %v, stats %+v", r.Err, r.Throughput)
			}
			if r.Elapsed > after+300*ms {
				t.Errorf("caller free %v after the end of its context", r.Elapsed-after)
			}
		})
	}
	settled(t, base, 1500*ms)
}

// Left while the library's workers still have most of their time to go.
func TestWorkersAreGoneByTheEndOfTheDeadline(t *testing.T) {
	s := probetest.NewServer(t, probetest.HangData)
	p := newTest(t, s.URL, func(c *Config) { c.Deadline = 2 * time.Second })
	base := goleak.IgnoreCurrent()
	ctx, cancel := context.WithTimeout(t.Context(), 600*ms)
	defer cancel()
	if r := p.Probe(ctx); r.Err == nil || !strings.Contains(r.Err.Error(), "interrupted") {
		t.Errorf("error %v", r.Err)
	}
	if goleak.Find(base) == nil {
		t.Fatal("nothing was left to wait for: this test shows nothing")
	}
	// They wait the library's capture time out: no request, no spinning.
	asked, used := s.Requests(), cpuTime(t)
	time.Sleep(time.Second)
	if more := s.Requests() - asked; more > 0 {
		t.Errorf("%d requests after the end", more)
	}
	if used = cpuTime(t) - used; used > 300*ms {
		t.Errorf("used %v of processor time in 1 s after the end", used)
	}
	settled(t, base, 1500*ms)
}

// The public list is played by the double's own transport: no test leaves loopback.
func TestServerFromAListIsTheOneThatAnswersFirst(t *testing.T) {
	good := probetest.NewServer(t, probetest.Paced)
	dead, missing := probetest.RefusingURL(t), probetest.NewServer(t, probetest.NotFound)
	p := newTest(t, "", onlyDown)
	listed := func(urls ...string) {
		var items []string
		for i, u := range urls {
			items = append(items, fmt.Sprintf(`{"id":"%d","url":"%s/speedtest/upload.php"}`, i, u))
		}
		p.transport = func(ctx context.Context, group *metered.Group) http.RoundTripper {
			return roundTripper(func(r *http.Request) (*http.Response, error) {
				if r.URL.Hostname() == "127.0.0.1" {
					return newTransport(ctx, group).RoundTrip(r)
				}
				body := "[" + strings.Join(items, ",") + "]"
				return &http.Response{StatusCode: 200, Status: "200 OK", ContentLength: int64(len(body)),
					Body: io.NopCloser(strings.NewReader(body)), Request: r}, nil
			})
		}
	}
	listed(dead, missing.URL, good.URL)
	r := p.Probe(t.Context())
	if r.Err != nil || !strings.HasSuffix(good.URL, r.Throughput.Server) || r.Throughput.Server == "" {
		t.Errorf("error %v, stats %+v", r.Err, r.Throughput)
	}
	listed(dead, missing.URL, "file:///etc")
	if r = p.Probe(t.Context()); r.Err == nil || !strings.Contains(r.Err.Error(), "public server list") {
		t.Errorf("error %v", r.Err)
	}
	listed()
	if r = p.Probe(t.Context()); r.Err == nil || !strings.Contains(r.Err.Error(), "pick a server") {
		t.Errorf("error %v", r.Err)
	}
}

type roundTripper func(*http.Request) (*http.Response, error)

func (f roundTripper) RoundTrip(r *http.Request) (*http.Response, error) { return f(r) }

func TestNeverTouchesTheDefaultClient(t *testing.T) {
	newTest(t, "http://192.0.2.1", nil)
	if http.DefaultClient.Transport != nil {
		t.Fatalf("default transport is %T after New", http.DefaultClient.Transport)
	}
	own := &http.Transport{}
	http.DefaultClient.Transport = own
	defer func() { http.DefaultClient.Transport = nil }()
	s := probetest.NewServer(t, probetest.NoFiles)
	newTest(t, s.URL, onlyDown).Probe(t.Context())
	if http.DefaultClient.Transport != own {
		t.Errorf("a transport chosen by the program was replaced by %T", http.DefaultClient.Transport)
	}
}

func TestConfigurationFaults(t *testing.T) {
	good := Config{Name: "sky", Section: probes.Uplink, Down: true}
	if _, err := New(good); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		change func(*Config)
		word   string
	}{
		"no name":          {func(c *Config) { c.Name = "" }, "name"},
		"section":          {func(c *Config) { c.Section = "" }, "section"},
		"no direction":     {func(c *Config) { c.Down = false }, "direction"},
		"streams":          {func(c *Config) { c.Streams = 100 }, "streams"},
		"small budget":     {func(c *Config) { c.MaxBytes = 1000 }, "budget"},
		"short deadline":   {func(c *Config) { c.Deadline = time.Millisecond }, "deadline"},
		"endless deadline": {func(c *Config) { c.Deadline = time.Hour }, "deadline"},
		"scheme":           {func(c *Config) { c.Server = "ftp://192.0.2.1" }, "form"},
		"no scheme":        {func(c *Config) { c.Server = "192.0.2.1:8080" }, "server"},
		"path":             {func(c *Config) { c.Server = "http://192.0.2.1/file" }, "form"},
		"password":         {func(c *Config) { c.Server = "http://a:b@192.0.2.1" }, "form"},
	} {
		t.Run(name, func(t *testing.T) {
			cfg := good
			c.change(&cfg)
			if _, err := New(cfg); err == nil || !strings.Contains(err.Error(), c.word) {
				t.Errorf("error %v does not mention %q", err, c.word)
			}
		})
	}
}
