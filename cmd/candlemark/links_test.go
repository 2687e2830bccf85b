package main

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

const linksConfig = `relay: stairwell
targets:
  - {name: near, section: hop, address: 127.0.0.1, method: stamp, port: %[1]s, key_file: %[4]s, every: 1s, count: 5, interval: 10ms, timeout: 200ms}
  - {name: far, section: uplink, address: 127.0.0.1, method: stamp, port: %[1]s, key_file: %[4]s, every: 1s, count: 5, interval: 10ms, timeout: 200ms}
throughput:
  - {name: hop-rate, section: hop, reflector: "%[2]s", token_file: %[3]s, packets: {port: %[1]s, key_file: %[4]s}, under_load: 1s, link_rate: 40Mbit/s, every: 168h, byte_budget: 100MB, deadline: 3s}
  - {name: late, section: uplink, reflector: "%[2]s", token_file: %[3]s.none, every: 168h}
services:
  - {name: forms, page: "%[5]s/forms", marker: welcome, every: 10s, deadline: 2s}
  - {name: mail, page: "%[5]s/mail", every: 10s, deadline: 2s}
data: {per_day: 0B, per_month: 0B}
`

// The whole way on real programs: a reflector and an agent that measures against it
// on loopback, with a key and a token out of files; what is scraped, shown and
// checked is what was measured.
func TestAgentMeasuresAgainstAReflectorOfOurOwn(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	token, key := filepath.Join(dir, "reflector.token"), filepath.Join(dir, "stamp.key")
	if err := os.WriteFile(key, []byte("0123456789abcdef-key\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	far := launch(t, nil, "reflect", "--token-file", token, "--new-token", "--key-file", key,
		"--http", "127.0.0.1:0", "--stamp", "127.0.0.1:0", "--max-rate", "40Mbit/s")
	port := far.waitSaid(`method: stamp, address: "127\.0\.0\.1", port: (\d+)`)[1]
	web := far.waitSaid(`reflector: "(http://127\.0\.0\.1:\d+)"`)[1]
	site := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/mail" {
			http.Error(w, "no", http.StatusServiceUnavailable)
			return
		}
		fmt.Fprint(w, "welcome")
	}))
	defer site.Close()
	config := fmt.Sprintf(linksConfig, port, web, token, key, site.URL)

	file, _ := writeConfig(t, "127.0.0.1:0", config)
	out, err := exec.Command(program(t), "self-check", "--config", file).CombinedOutput()
	if err == nil { // the token of late is absent and mail does not work
		t.Error("self-check finds no fault")
	}
	for _, line := range []string{"good    hop near", "good    throughput hop-rate", "fault   throughput late", "good    service forms", "fault   service mail"} {
		if !strings.Contains(string(out), line) {
			t.Errorf("self-check does not say %q:\n%s", line, out)
		}
	}

	p := runProgram(t, config, nil)
	p.waitSaid(`first configuration, [0-9a-f]{16}`)
	for _, name := range []string{"hop-rate", "late", "forms", "mail"} { // their first turn comes late by itself
		p.waitFor("a forced "+name, startWithin, func() bool {
			out, err := exec.Command(program(t), "probe", name, "--socket", p.socket).CombinedOutput()
			if err != nil {
				t.Logf("probe %s: %v: %s", name, err, out)
			}
			return err == nil
		})
	}
	const near, rate = `section="hop",target="near"`, `section="hop",target="hop-rate"`
	var s series
	p.waitFor("figures of every kind", 3*startWithin, func() bool {
		s = p.scrape()
		_, transfer := s[`candlemark_link_upload_bytes_per_second{`+rate+`}`]
		_, forms := s[`candlemark_service_up{section="uplink",target="forms"}`]
		_, mail := s[`candlemark_service_up{section="uplink",target="mail"}`]
		return transfer && forms && mail && s[`candlemark_link_rtt_seconds_count{`+near+`}`] >= 10 &&
			s[`candlemark_probe_failures_total{kind="throughput",section="uplink",target="late"}`] >= 1
	})
	within := func(name string, lo, hi float64) {
		t.Helper()
		if v, ok := s["candlemark_"+name]; !ok || v < lo || v > hi {
			t.Errorf("%s is %v (there: %v), want %v to %v", name, v, ok, lo, hi)
		}
	}
	// The reflector gives and takes 40 Mbit/s, 5e6 bytes a second, headers and all.
	within(`link_download_bytes_per_second{`+rate+`}`, 3e6, 5.5e6)
	within(`link_upload_bytes_per_second{`+rate+`}`, 3e6, 10e6) // loopback's buffers take megabytes at once, of 3 s
	for _, way := range []string{"down", "up"} {
		within(`link_transfer_spent_bytes{direction="`+way+`",`+rate+`}`, 1e6, 100e6)
		within(`link_transfer_spent_seconds{direction="`+way+`",`+rate+`}`, 1, 8)
		within(`link_responsiveness_per_second{direction="`+way+`",`+rate+`}`, 0.01, 1e6)
		within(`link_loaded_request_seconds{direction="`+way+`",percentile="99",`+rate+`}`, 1e-6, 10)
		within(`link_loaded_rtt_median_seconds{direction="`+way+`",`+rate+`}`, 1e-6, 10)
		within(`link_tcp_efficiency_ratio{direction="`+way+`",`+rate+`}`, 0.5, 1)
	}
	within(`link_direction_packets_sent_total{direction="forward",`+near+`}`, 10, 1e4)
	within(`link_direction_packets_lost_total{direction="backward",`+near+`}`, 0, 100) // a busy machine may lose some
	within(`link_rtt_seconds_bucket{`+near+`,le="+Inf"}`, 10, 1e4)
	within(`link_loss_high_ratio{`+near+`}`, 0.1, 1) // 0 of 5 proves little
	within(`service_up{section="uplink",target="forms"}`, 1, 1)
	within(`service_up{section="uplink",target="mail"}`, 0, 0)
	within(`link_fit{use="named_services",verdict="not_good_enough"}`, 1, 1)
	within(`link_fit{use="voice",verdict="good"}`, 0, 0) // no transfer to the uplink was made
	if _, ok := s[`candlemark_link_download_bytes_per_second{section="uplink",target="late"}`]; ok {
		t.Error("what could not be measured has a series")
	}

	said := p.status()
	for _, words := range []string{"mail         DOES NOT WORK: answered 503", "forms        works", "responsiveness", "fit    voice", "fit    named services       not good enough", "no such file"} {
		if !strings.Contains(said, words) {
			t.Errorf("status does not say %q:\n%s", words, said)
		}
	}
	if _, page := p.get("/"); !strings.Contains(page, "<strong>voice: cannot tell.</strong>") || !strings.Contains(page, "round trips a minute") {
		t.Errorf("the page lacks the verdicts or the responsiveness:\n%s", page)
	}
	for _, text := range []string{p.out.String(), said, string(out)} {
		if secret, err := os.ReadFile(token); err != nil || strings.Contains(text, strings.TrimSpace(string(secret))) || strings.Contains(text, "0123456789abcdef-key") {
			t.Errorf("a secret is told, or %v", err)
		}
	}

	// A reflector that vanishes is a link without an answer, and nothing hangs.
	if err := far.signal(syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	p.waitFor("the near end down", startWithin, func() bool {
		return p.scrape()[`candlemark_link_up{`+near+`}`] == 0
	})
	begun := time.Now()
	p.stop(syscall.SIGTERM)
	if took := time.Since(begun); took > stopWithin {
		t.Errorf("took %v to stop", took)
	}
}
