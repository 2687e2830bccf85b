package httpd_test

import (
	"context"
	"encoding/json"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"

	"candlemark/agent/alarm"
	"candlemark/agent/httpd"
	"candlemark/agent/pack"
	"candlemark/agent/status"
	"candlemark/probes"
	"candlemark/sensors"
)

// example is a relay at work with one warning, at an invented evening.
func example() status.Snapshot {
	wall := time.Date(2026, 3, 14, 18, 30, 0, 0, time.UTC)
	return status.Snapshot{
		Relay: "stairwell", Site: "east school", ClockSet: true,
		Taken: alarm.Instant{Up: 90 * time.Minute, Wall: wall},
		Packs: []status.Pack{{
			Name: "a", SensorName: "ina219 i2c-1/0x40",
			Leads:        alarm.Leads{NextPack: 45 * time.Minute, ShutDown: 15 * time.Minute},
			Reading:      sensors.Reading{PackV: 18.5, PackA: 2, ErrV: 0.1, ErrA: 0.02, ErrW: 0.6},
			ReadingKnown: true, ReadingUp: 90*time.Minute - 2*time.Second,
			Forecast: pack.Forecast{State: pack.Discharging, Known: true, Expected: 125 * time.Minute, Low: 100 * time.Minute,
				High: 150 * time.Minute, Cautious: 40 * time.Minute, ChargeRatio: 0.625, ChargeKnown: true, LoadW: 36, CutoffV: 15},
			DischargedJ: 36000,
		}},
		Targets: []status.Target{{Name: "terminal", Section: probes.Hop, Kind: probes.Latency, LastKnown: true,
			Last: probes.Result{Start: time.Now().Add(-9500 * time.Millisecond), Elapsed: time.Second, Latency: &probes.LatencyStats{
				Sent: 10, Lost: 1, RTTKnown: true, Min: 2 * time.Millisecond, Median: 3 * time.Millisecond, P95: 9 * time.Millisecond}}}},
		Alarms: []alarm.Active{{Name: alarm.BringNextPack, Severity: alarm.Warning, Subject: "a", Title: "Pack a runs low",
			Action: "Bring the next pack now.", Raised: alarm.Instant{Up: 85 * time.Minute}}},
		Data: status.Data{UsedToday: 30_000_000, BudgetPerDay: 200_000_000},
	}
}

var noMetrics = http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { io.WriteString(w, "metrics\n") })

func serverOf(s status.Snapshot) *httpd.Server {
	return httpd.New(httpd.Config{Listen: "127.0.0.1:0"}, noMetrics, func() status.Snapshot { return s })
}

func get(s *httpd.Server, path string) *httptest.ResponseRecorder {
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, httptest.NewRequest(http.MethodGet, path, nil))
	return w
}

func TestRoutes(t *testing.T) {
	s := serverOf(example())
	for path, want := range map[string]struct {
		code  int
		words string
	}{
		"/":        {http.StatusOK, "What to do now"},
		"/metrics": {http.StatusOK, "metrics"},
		"/health":  {http.StatusOK, `"ok": true`},
		"/nothing": {http.StatusNotFound, "not found"},
	} {
		w := get(s, path)
		if w.Code != want.code || !strings.Contains(w.Body.String(), want.words) {
			t.Errorf("GET %s: %d %q, want %d with %q", path, w.Code, w.Body, want.code, want.words)
		}
	}
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, httptest.NewRequest(http.MethodPost, "/", strings.NewReader("x=1")))
	if w.Code != http.StatusMethodNotAllowed {
		t.Errorf("POST /: %d, want 405: the page changes nothing", w.Code)
	}
}

func TestPageFetchesNothingFromElsewhere(t *testing.T) {
	w := get(serverOf(example()), "/")
	body := w.Body.String()
	for _, bad := range []string{"http://", "https://", "<script", "<img", "<link", "src=", "@import", "url("} {
		if strings.Contains(body, bad) {
			t.Errorf("the page holds %q", bad)
		}
	}
	if csp := w.Header().Get("Content-Security-Policy"); !strings.Contains(csp, "default-src 'none'") {
		t.Errorf("Content-Security-Policy is %q", csp)
	}
}

func TestPageSays(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*status.Snapshot)
		says   []string
		not    []string
	}{
		"time left with range, what to do, ages": {
			func(*status.Snapshot) {},
			[]string{"2 h 05 min", "between 1 h 40 min and 2 h 30 min", "feeding the load", "<p>Bring the next pack now.</p>",
				"Act soon: Pack a runs low", "Active for 5 min.", "18.50 V ± 0.10 V", "2.00 A ± 0.02 A", "37.0 W ± 0.6 W", "2 s ago by ina219 i2c-1/0x40",
				"1 of 10 packets", "3.0 ms median", "8 s ago", "10.0 Wh since", "30.0 MB of 200.0 MB", "18:30:00 UTC."},
			[]string{"unknown —", "This page is old", "NaN"},
		},
		"unknown time left, and why": {
			func(s *status.Snapshot) {
				s.Packs[0].Forecast = pack.Forecast{State: pack.Unknown, Why: "only 20 s of readings so far"}
			},
			[]string{"unknown — only 20 s of readings so far", "Time left not known", "state not known"}, []string{"0 s</p>", "cut-off</dt>"},
		},
		"charging, without a reason of its own": {
			func(s *status.Snapshot) { s.Packs[0].Forecast = pack.Forecast{State: pack.Charging} },
			[]string{"unknown — charging, or on mains"}, []string{"Warnings go by"},
		},
		"reading gone stale": {
			func(s *status.Snapshot) {
				s.Packs[0].Stale, s.Packs[0].ReadingUp = true, 60*time.Minute
				s.Packs[0].LastError = "ina219 i2c-1/0x40: read bus voltage: no answer"
			},
			[]string{"unknown — ina219 i2c-1/0x40: read bus voltage: no answer", "18.50 V, 2.00 A, 30 min ago"}, []string{"± 0.10 V"},
		},
		"never read": {
			func(s *status.Snapshot) { s.Packs[0].ReadingKnown = false; s.Alarms = nil },
			[]string{"unknown — no reading yet", "no pack is being read: do not rely on a warning"}, []string{"Nothing. No alarm", "0.00 V"},
		},
		"clipped current": {
			func(s *status.Snapshot) { s.Packs[0].Reading.Clipped = true },
			[]string{"at least 2.00 A: clipped", "at least 37.0 W"}, []string{"2.00 A ± "},
		},
		"all is well": {
			func(s *status.Snapshot) { s.Alarms = nil },
			[]string{"Nothing. No alarm is active."}, []string{"Act soon"},
		},
		"the most urgent alarm first": {
			func(s *status.Snapshot) {
				s.Alarms = append(s.Alarms, alarm.Active{Name: alarm.ShutTerminalDown, Severity: alarm.Critical, Title: "Pack a is nearly flat", Action: "Shut the terminal down now."})
			},
			[]string{"<h2>What to do now</h2><p>Shut the terminal down now.</p></section>", "<title>Act now: Pack a is nearly flat"}, nil,
		},
		"clock not set": {
			func(s *status.Snapshot) { s.ClockSet = false },
			[]string{"The board&#39;s clock is not set; it shows"}, []string{"As of"},
		},
		"target without an answer": {
			func(s *status.Snapshot) {
				s.Targets[0].Last.Latency = &probes.LatencyStats{Sent: 10, Lost: 10}
			},
			[]string{"no answer", "10 of 10 packets"}, []string{"median", "0.0 ms"},
		},
		"target that cannot be measured": {
			func(s *status.Snapshot) { s.Targets[0].LastError = "lookup terminal: no such host" },
			[]string{"not measured", "lookup terminal: no such host"}, []string{"median"},
		},
		"throughput in one direction, held back": {
			func(s *status.Snapshot) {
				s.Targets = []status.Target{{Name: "wide area", Section: probes.Uplink, Kind: probes.Throughput, NotRun: "data budget spent", LastKnown: true,
					Last: probes.Result{Start: time.Now().Add(-time.Hour), Throughput: &probes.ThroughputStats{Server: "invented", Down: 80e6, DownKnown: true, DownBytes: 20e6}}}}
			},
			[]string{"80.00 Mbit/s over 20.0 MB", "<dt>up</dt><dd>not measured</dd>", "data budget spent", "1 h 00 min ago"}, []string{">0.00 Mbit/s"},
		},
		"markup in names is text": {
			func(s *status.Snapshot) {
				s.Relay, s.Packs[0].Name, s.Targets[0].Name = "<script>1</script>", "<b>", `"><img src=x>`
				s.Alarms[0].Title, s.Alarms[0].Action = "<i>", "<u>"
			},
			[]string{"&lt;script&gt;1&lt;/script&gt;", "&lt;b&gt;", "&lt;img src=x&gt;", "&lt;i&gt;", "&lt;u&gt;"},
			[]string{"<script", "<b>", "<img", "<i>", "<u>"},
		},
		"an agent without packs": {
			func(s *status.Snapshot) { *s = status.Snapshot{} },
			[]string{"No pack is configured", "The agent has not looked yet."}, []string{"NaN", "0 s left"},
		},
	} {
		t.Run(name, func(t *testing.T) {
			s := example()
			c.change(&s)
			w := get(serverOf(s), "/")
			if w.Code != http.StatusOK {
				t.Fatalf("status %d", w.Code)
			}
			body := w.Body.String()
			for _, words := range c.says {
				if !strings.Contains(body, words) {
					t.Errorf("the page does not say %q:\n%s", words, body)
				}
			}
			for _, words := range c.not {
				if strings.Contains(body, words) {
					t.Errorf("the page says %q", words)
				}
			}
		})
	}
}

func TestHealth(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*status.Snapshot)
		code   int
		says   string
	}{
		"well":           {func(*status.Snapshot) {}, http.StatusOK, `"reasons": []`},
		"stale reading":  {func(s *status.Snapshot) { s.Packs[0].Stale = true; s.Packs[0].LastError = "no answer" }, http.StatusServiceUnavailable, "pack a: no reading for 2 s: no answer"},
		"no reading yet": {func(s *status.Snapshot) { s.Packs[0].ReadingKnown = false }, http.StatusServiceUnavailable, "pack a: no reading yet"},
		"journal":        {func(s *status.Snapshot) { s.Journal.LastError = "disk full" }, http.StatusServiceUnavailable, "the journal cannot be written: disk full"},
		"clock not set, which is not the agent's fault": {func(s *status.Snapshot) { s.ClockSet = false }, http.StatusOK, "clock is not set"},
		"receiver away, which is not the agent's fault": {func(s *status.Snapshot) { s.Receivers = []status.Receiver{{Name: "webhook", LastError: "refused"}} }, http.StatusOK, "alarms do not reach webhook: refused"},
		"a critical alarm is no fault of the agent":     {func(s *status.Snapshot) { s.Alarms[0].Severity = alarm.Critical }, http.StatusOK, "alarm: Pack a runs low"},
	} {
		t.Run(name, func(t *testing.T) {
			s := example()
			c.change(&s)
			w := get(serverOf(s), "/health")
			var h httpd.Health
			if err := json.Unmarshal(w.Body.Bytes(), &h); err != nil {
				t.Fatal(err)
			}
			if w.Code != c.code || h.OK != (c.code == http.StatusOK) || !strings.Contains(w.Body.String(), c.says) {
				t.Errorf("%d %s, want %d with %q", w.Code, w.Body, c.code, c.says)
			}
		})
	}
}

func TestAHangingAgentIsNoticed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		snap := example()
		s := httpd.New(httpd.Config{}, noMetrics, func() status.Snapshot { return snap })
		time.Sleep(14 * time.Second)
		if w := get(s, "/health"); w.Code != http.StatusOK {
			t.Errorf("not well at first: %s", w.Body)
		}
		time.Sleep(10 * time.Second)
		snap.Taken.Up += time.Second
		if w := get(s, "/health"); w.Code != http.StatusOK {
			t.Errorf("not well although it moved on: %s", w.Body)
		}
		// The wall clock alone moving on is not life.
		snap.Taken.Wall = snap.Taken.Wall.Add(time.Hour)
		time.Sleep(20 * time.Second)
		if w := get(s, "/health"); w.Code != http.StatusServiceUnavailable || !strings.Contains(w.Body.String(), "decided nothing for 20 s") {
			t.Errorf("a hanging agent is called well: %d %s", w.Code, w.Body)
		}
		body := get(s, "/").Body.String()
		for _, words := range []string{"This page is old", "Restart the agent: it hangs", "23 s ago by ina219"} {
			if !strings.Contains(body, words) {
				t.Errorf("the page does not say %q", words)
			}
		}
	})
}

func TestRunServesAndEndsInOrder(t *testing.T) {
	defer goleak.VerifyNone(t)
	s := serverOf(example())
	if s.Addr() != "" {
		t.Errorf("address %q before Run", s.Addr())
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx) }()
	<-s.Ready()
	resp, err := http.Get("http://" + s.Addr() + "/health")
	if err != nil {
		t.Fatal(err)
	}
	resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		t.Errorf("status %d", resp.StatusCode)
	}
	http.DefaultClient.CloseIdleConnections()

	taken := httpd.New(httpd.Config{Listen: s.Addr()}, noMetrics, example)
	if err := taken.Run(t.Context()); err == nil || !strings.Contains(err.Error(), "port is in use") {
		t.Errorf("on a port in use: %v", err)
	}
	select {
	case <-taken.Ready():
		t.Error("ready without a port")
	default:
	}

	cancel()
	if err := <-ended; err != nil {
		t.Errorf("an orderly end gives %v", err)
	}
}

func TestRunRefuses(t *testing.T) {
	for name, c := range map[string]struct {
		cfg  httpd.Config
		says string
	}{
		"web configuration that is not there": {httpd.Config{Listen: "127.0.0.1:0", WebConfigFile: filepath.Join(t.TempDir(), "none.yaml")}, "none.yaml"},
		"an address of another board":         {httpd.Config{Listen: "192.0.2.1:0"}, "no such address"}, // RFC 5737: on no board
		"no port":                             {httpd.Config{Listen: "127.0.0.1"}, "listen on 127.0.0.1"},
	} {
		t.Run(name, func(t *testing.T) {
			err := httpd.New(c.cfg, noMetrics, example).Run(t.Context())
			if err == nil || !strings.Contains(err.Error(), c.says) {
				t.Errorf("Run: %v, want an error with %q", err, c.says)
			}
		})
	}
}

func TestAClientThatHangsDoesNotKeepTheAgent(t *testing.T) {
	defer goleak.VerifyNone(t)
	s := serverOf(example())
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx) }()
	<-s.Ready()
	c, err := net.Dial("tcp", s.Addr())
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if _, err := io.WriteString(c, "GET / HTTP/1.1\r\nHost: "); err != nil {
		t.Fatal(err)
	}
	cancel()
	select {
	case err := <-ended:
		if err != nil {
			t.Error(err)
		}
	case <-time.After(20 * time.Second):
		t.Fatal("Run does not end")
	}
	// The connection ended with Run, not with its own time-out later.
	if err := c.SetReadDeadline(time.Now().Add(time.Second)); err != nil {
		t.Fatal(err)
	}
	if b, err := io.ReadAll(c); err != nil {
		t.Errorf("the connection is still open: %q, %v", b, err)
	}
}
