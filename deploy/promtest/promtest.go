// Package promtest runs the real Prometheus and Alertmanager for a test: on
// loopback, on ports of their own, with their data in the test's directory, and
// ended with the test. It is imported by tests only.
//
// Limits: needs the programs as Debian installs them (packages prometheus and
// prometheus-alertmanager). A test that asks for one that is not installed is
// skipped, or fails where CANDLEMARK_NO_SKIP is set.
package promtest

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

const (
	scrapeInterval = "1s"
	startTimeout   = 30 * time.Second
	stopTimeout    = 10 * time.Second
	pollEvery      = 200 * time.Millisecond
)

// Need returns the path of a program, or ends the test where there is none.
func Need(t testing.TB, program, debianPackage string) string {
	t.Helper()
	path, err := exec.LookPath(program)
	if err == nil {
		return path
	}
	const why = "%s is not installed (Debian package %s)"
	if os.Getenv("CANDLEMARK_NO_SKIP") != "" {
		t.Fatalf(why, program, debianPackage)
	}
	t.Skipf(why, program, debianPackage)
	return ""
}

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
}

// Server is a running Prometheus.
type Server struct {
	URL string
}

// Start starts Prometheus and waits until it answers queries.
func Start(t testing.TB, cfg Config) *Server {
	t.Helper()
	program := Need(t, "prometheus", "prometheus")
	dir := t.TempDir()
	file := filepath.Join(dir, "prometheus.yaml")
	writeFile(t, file, prometheusConfig(t, dir, cfg))
	address := run(t, program,
		"--config.file="+file,
		"--storage.tsdb.path="+filepath.Join(dir, "tsdb"),
		"--web.listen-address=127.0.0.1:0",
	)
	s := &Server{URL: "http://" + address}
	waitFor(t, "prometheus to be ready", func() bool { return isOK(s.URL + "/-/ready") })
	return s
}

// prometheusConfig is JSON, which is YAML too and needs no quoting rules.
func prometheusConfig(t testing.TB, dir string, cfg Config) []byte {
	t.Helper()
	type object = map[string]any
	static := []object{}
	for _, target := range cfg.Targets {
		static = append(static, object{"targets": []string{target.Address}, "labels": target.Labels})
	}
	c := object{
		"global":         object{"scrape_interval": scrapeInterval, "evaluation_interval": scrapeInterval},
		"scrape_configs": []object{{"job_name": "candlemark", "static_configs": static}},
		"rule_files":     copyRules(t, dir, cfg.RulesFiles, cfg.HoldFor),
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

func (s *Server) get(t testing.TB, path string, data any) {
	t.Helper()
	resp, err := http.Get(s.URL + path)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	var answer struct {
		Status, Error string
		Data          json.RawMessage
	}
	if err := json.NewDecoder(resp.Body).Decode(&answer); err != nil {
		t.Fatalf("GET %s: %v", path, err)
	}
	if answer.Status != "success" {
		t.Fatalf("GET %s: %s", path, answer.Error)
	}
	if err := json.Unmarshal(answer.Data, data); err != nil {
		t.Fatalf("GET %s: %v", path, err)
	}
}

// Alertmanager is a running Alertmanager that keeps what it is told and tells nobody.
type Alertmanager struct {
	URL string // as the agent's configuration and Config.AlertmanagerURL take it
}

// StartAlertmanager starts an Alertmanager and waits until it is ready.
func StartAlertmanager(t testing.TB) *Alertmanager {
	t.Helper()
	program := Need(t, "prometheus-alertmanager", "prometheus-alertmanager")
	dir := t.TempDir()
	file := filepath.Join(dir, "alertmanager.yaml")
	writeFile(t, file, []byte("route: {receiver: nobody}\nreceivers: [{name: nobody}]\n"))
	address := run(t, program,
		"--config.file="+file,
		"--storage.path="+filepath.Join(dir, "data"),
		"--web.listen-address=127.0.0.1:0",
		"--cluster.listen-address=", // one alone
	)
	a := &Alertmanager{URL: "http://" + address}
	waitFor(t, "alertmanager to be ready", func() bool { return isOK(a.URL + "/-/ready") })
	return a
}

// Received is an alert as Alertmanager holds it.
type Received struct {
	Labels, Annotations map[string]string
	StartsAt, EndsAt    time.Time
}

// Active lists the alerts that Alertmanager holds as active.
func (a *Alertmanager) Active(t testing.TB) []Received {
	t.Helper()
	resp, err := http.Get(a.URL + "/api/v2/alerts?active=true")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	var alerts []Received
	if err := json.NewDecoder(resp.Body).Decode(&alerts); err != nil {
		t.Fatalf("alerts of alertmanager: %v", err)
	}
	return alerts
}

// WaitFor waits until an active alert carries the label, and returns it.
func (a *Alertmanager) WaitFor(t testing.TB, label, value string) Received {
	t.Helper()
	var found Received
	waitFor(t, fmt.Sprintf("alertmanager to hold an alert with %s=%q", label, value), func() bool {
		for _, r := range a.Active(t) {
			if r.Labels[label] == value {
				found = r
				return true
			}
		}
		return false
	})
	return found
}

// run starts a program that says on its standard error where it listens, and
// returns that address. The program is ended with the test.
func run(t testing.TB, program string, args ...string) string {
	t.Helper()
	cmd := exec.Command(program, args...)
	stderr, err := cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	var said tail
	address, read := make(chan string, 1), make(chan struct{})
	go func() {
		defer close(read)
		said.follow(stderr, address)
	}()
	t.Cleanup(func() {
		// It may have ended already; then there is nothing to end.
		_ = cmd.Process.Signal(syscall.SIGTERM)
		late := time.AfterFunc(stopTimeout, func() { _ = cmd.Process.Kill() })
		<-read // Wait may close the pipe only after the reader is done
		_ = cmd.Wait()
		late.Stop()
	})
	select {
	case a := <-address:
		return a
	case <-read:
		t.Fatalf("%s ended at once:\n%s", program, said.String())
	case <-time.After(startTimeout):
		t.Fatalf("%s does not listen after %v:\n%s", program, startTimeout, said.String())
	}
	return ""
}

// tail keeps the last lines that a program said.
type tail struct {
	mu    sync.Mutex
	lines []string
}

func (l *tail) follow(r io.Reader, address chan<- string) {
	// The wording of exporter-toolkit, which both programs use.
	listening := regexp.MustCompile(`msg="Listening on" address=(\S+)`)
	const keep = 30
	for s := bufio.NewScanner(r); s.Scan(); {
		l.mu.Lock()
		l.lines = append(l.lines, s.Text())
		if len(l.lines) > keep {
			l.lines = l.lines[1:]
		}
		l.mu.Unlock()
		if m := listening.FindStringSubmatch(s.Text()); m != nil {
			select {
			case address <- m[1]:
			default:
			}
		}
	}
}

func (l *tail) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return strings.Join(l.lines, "\n")
}

func isOK(url string) bool {
	resp, err := http.Get(url)
	if err != nil {
		return false
	}
	resp.Body.Close()
	return resp.StatusCode == http.StatusOK
}

func waitFor(t testing.TB, what string, done func() bool) {
	t.Helper()
	for end := time.Now().Add(startTimeout); !done(); time.Sleep(pollEvery) {
		if time.Now().After(end) {
			t.Fatalf("waited %v for %s", startTimeout, what)
		}
	}
}

func writeFile(t testing.TB, path string, b []byte) {
	t.Helper()
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
}
