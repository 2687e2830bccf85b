// Package promtest runs the real Prometheus and Alertmanager for a test: on
// loopback, on ports of their own, with their data in the test's directory, and
// ended with the test. It is imported by tests only.
//
// Limits: needs the programs as Debian installs them (packages prometheus and
// prometheus-alertmanager). A test that asks for one that is not installed is
// skipped, or fails where CANDLEMARK_NO_SKIP is set.
package promtest

import (
	"cmp"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"
)

// every is how often Prometheus scrapes and evaluates rules, if nothing else is said.
const every = "1s"

// Target is something to scrape.
type Target struct {
	Address string            // host:port
	Labels  map[string]string // target labels, for example relay
}

// Config is what Prometheus is to do. The scrape job is named candlemark, as in
// deploy/prometheus.
type Config struct {
	Targets         []Target
	RulesFiles      []string
	AlertmanagerURL string // "" where alerts go nowhere
	// HoldFor replaces every rule's "for", so that a test need not wait for
	// minutes: "1s". "" leaves the rules as they are.
	HoldFor string
	// Receive turns on the remote-write endpoint, /api/v1/write, and
	// OutOfOrderWindow sets the time window of that name: "96h"; "" is none.
	Receive          bool
	OutOfOrderWindow string
	Every            string // between scrapes and between evaluations of rules; "" is "1s"
	Admin            bool   // so that Snapshot can be asked for
}

// Server is a running Prometheus.
type Server struct {
	URL  string
	dir  string
	args []string
	kill func()
}

// Start starts Prometheus and waits until it answers queries.
func Start(t testing.TB, cfg Config) *Server {
	t.Helper()
	program := Need(t, "prometheus", "prometheus")
	dir := t.TempDir()
	file := filepath.Join(dir, "prometheus.yaml")
	writeFile(t, file, prometheusConfig(t, dir, cfg))
	args := []string{"--config.file=" + file, "--storage.tsdb.path=" + filepath.Join(dir, "tsdb")}
	if cfg.Receive {
		args = append(args, "--web.enable-remote-write-receiver")
	}
	if cfg.Admin {
		args = append(args, "--web.enable-admin-api")
	}
	address, kill := run(t, program, append(args, "--web.listen-address=127.0.0.1:0")...)
	s := &Server{URL: "http://" + address, dir: dir, args: args, kill: kill}
	waitFor(t, "prometheus to be ready", func() bool { return isOK(s.URL + "/-/ready") })
	return s
}

// Kill ends Prometheus as a crash would.
func (s *Server) Kill() { s.kill() }

// Restart starts a Prometheus that was killed, at the same address and with the data it had.
func (s *Server) Restart(t testing.TB) {
	t.Helper()
	listen := "--web.listen-address=" + strings.TrimPrefix(s.URL, "http://")
	_, s.kill = run(t, Need(t, "prometheus", "prometheus"), append(s.args, listen)...)
	waitFor(t, "prometheus to be ready again", func() bool { return isOK(s.URL + "/-/ready") })
}

// prometheusConfig is JSON, which is YAML too and needs no quoting rules.
func prometheusConfig(t testing.TB, dir string, cfg Config) []byte {
	t.Helper()
	type object = map[string]any
	static := []object{}
	for _, target := range cfg.Targets {
		static = append(static, object{"targets": []string{target.Address}, "labels": target.Labels})
	}
	interval := cmp.Or(cfg.Every, every)
	c := object{
		"global":         object{"scrape_interval": interval, "evaluation_interval": interval},
		"scrape_configs": []object{{"job_name": "candlemark", "static_configs": static}},
		"rule_files":     copyRules(t, dir, cfg.RulesFiles, cfg.HoldFor),
	}
	if cfg.OutOfOrderWindow != "" {
		c["storage"] = object{"tsdb": object{"out_of_order_time_window": cfg.OutOfOrderWindow}}
	}
	if cfg.AlertmanagerURL != "" {
		c["alerting"] = object{"alertmanagers": []object{{"static_configs": []object{{
			"targets": []string{strings.TrimPrefix(cfg.AlertmanagerURL, "http://")},
		}}}}}
	}
	b, err := json.Marshal(c)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func copyRules(t testing.TB, dir string, files []string, holdFor string) []string {
	t.Helper()
	hold := regexp.MustCompile(`(?m)^(\s+for:\s*)\S+`)
	copies := []string{}
	for i, f := range files {
		b, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		if holdFor != "" {
			b = hold.ReplaceAll(b, []byte("${1}"+holdFor))
		}
		to := filepath.Join(dir, fmt.Sprintf("rules%d.yaml", i))
		writeFile(t, to, b)
		copies = append(copies, to)
	}
	return copies
}

// Sample is one series' value at one moment.
type Sample struct {
	Labels map[string]string
	Value  float64
}

// Query evaluates expr now.
func (s *Server) Query(t testing.TB, expr string) []Sample {
	t.Helper()
	var data struct {
		ResultType string
		Result     json.RawMessage
	}
	s.get(t, "/api/v1/query?query="+url.QueryEscape(expr), &data)
	if data.ResultType != "vector" {
		t.Fatalf("query %s gives a %s, not a vector", expr, data.ResultType)
	}
	var rows []struct {
		Metric map[string]string
		Value  [2]any
	}
	if err := json.Unmarshal(data.Result, &rows); err != nil {
		t.Fatalf("query %s: %v", expr, err)
	}
	samples := make([]Sample, 0, len(rows))
	for _, r := range rows {
		text, ok := r.Value[1].(string)
		v, err := strconv.ParseFloat(text, 64)
		if !ok || err != nil {
			t.Fatalf("query %s: value %v is not a number", expr, r.Value[1])
		}
		samples = append(samples, Sample{Labels: r.Metric, Value: v})
	}
	return samples
}

// Point is one stored sample.
type Point struct {
	Milliseconds int64 // Unix time
	Value        float64
}

// Stored lists every sample of the one series that selector names, of the last span ("80h").
func (s *Server) Stored(t testing.TB, selector, span string) []Point {
	t.Helper()
	var data struct {
		Result []struct{ Values [][2]json.RawMessage }
	}
	s.get(t, "/api/v1/query?query="+url.QueryEscape(selector+"["+span+"]"), &data)
	if len(data.Result) != 1 {
		t.Fatalf("%s names %d series", selector, len(data.Result))
	}
	points := make([]Point, 0, len(data.Result[0].Values))
	for _, v := range data.Result[0].Values {
		seconds, err := strconv.ParseFloat(string(v[0]), 64)
		value, err2 := strconv.ParseFloat(strings.Trim(string(v[1]), `"`), 64)
		if err != nil || err2 != nil {
			t.Fatalf("%s: sample %s", selector, v)
		}
		points = append(points, Point{int64(math.Round(seconds * 1000)), value})
	}
	return points
}

// Alert is one alert of a rule as Prometheus sees it.
type Alert struct {
	Labels, Annotations map[string]string
	State               string // "pending" or "firing"
}

// Alerts lists the alerts that are pending or firing.
func (s *Server) Alerts(t testing.TB) []Alert {
	t.Helper()
	var data struct{ Alerts []Alert }
	s.get(t, "/api/v1/alerts", &data)
	return data.Alerts
}

// WaitScraped waits until every target was scraped n times with success.
func (s *Server) WaitScraped(t testing.TB, n int) {
	t.Helper()
	expr := fmt.Sprintf(`min(sum_over_time(up{job="candlemark"}[1h])) >= %d`, n)
	s.WaitQuery(t, expr)
}

// WaitQuery waits until expr gives at least one series.
func (s *Server) WaitQuery(t testing.TB, expr string) {
	t.Helper()
	waitFor(t, expr, func() bool { return len(s.Query(t, expr)) > 0 })
}

// compacting is what Prometheus answers to a question that it was reading for while it
// moved its blocks; asked again it answers.
const compacting = "cannot populate chunk"

func (s *Server) get(t testing.TB, path string, data any) {
	t.Helper()
	answer := s.ask(t, path)
	for range 20 {
		if !strings.Contains(answer.Error, compacting) {
			break
		}
		time.Sleep(500 * time.Millisecond)
		answer = s.ask(t, path)
	}
	if answer.Status != "success" {
		t.Fatalf("GET %s: %s", path, answer.Error)
	}
	if err := json.Unmarshal(answer.Data, data); err != nil {
		t.Fatalf("GET %s: %v", path, err)
	}
}

// answer is the frame that Prometheus puts around all it answers.
type answer struct {
	Status, Error string
	Data          json.RawMessage
}

func (s *Server) ask(t testing.TB, path string) (a answer) {
	t.Helper()
	resp, err := http.Get(s.URL + path)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if err := json.NewDecoder(resp.Body).Decode(&a); err != nil {
		t.Fatalf("GET %s: %v", path, err)
	}
	return a
}
