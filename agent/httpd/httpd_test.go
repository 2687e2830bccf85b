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
		for _, words := range []string{"This page is old", "Agent: Restart the agent", "<dd>23 s ago</dd>"} {
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
