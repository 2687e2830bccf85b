package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"

	"candlemark/agent/notify"
)

const alarmedConfig = `relay: stairwell
targets:
  - {name: far, section: uplink, address: 127.0.0.1, method: tcp_connect, port: %d, every: 1s, count: 2, interval: 10ms, timeout: 200ms}
receivers:
  - {name: team, kind: webhook, url: "%s", quiet_when_acknowledged: true}
  - {name: siren, kind: command, command: [%s]}
`

// team is a webhook that can be told to be unwell.
type team struct {
	mu     sync.Mutex
	unwell bool
	bodies map[string][][]byte // by message id, every attempt
	taken  map[string]int
}

func (w *team) ServeHTTP(rw http.ResponseWriter, r *http.Request) {
	body, _ := io.ReadAll(r.Body)
	var m notify.Message
	w.mu.Lock()
	defer w.mu.Unlock()
	if json.Unmarshal(body, &m) != nil || w.unwell {
		rw.WriteHeader(http.StatusServiceUnavailable)
	} else {
		w.taken[m.MessageID]++
	}
	w.bodies[m.MessageID] = append(w.bodies[m.MessageID], body)
}

func (w *team) be(unwell bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.unwell = unwell
}

// raising is the message of the one raising there was, every attempt at it.
func (w *team) raising() (id string, bodies [][]byte, taken int) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for id, bodies := range w.bodies {
		if strings.HasSuffix(id, "-raised") {
			return id, bodies, w.taken[id]
		}
	}
	return "", nil, 0
}

// said runs one command line.
func answer(t *testing.T, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, fault bytes.Buffer
	code = execute(t.Context(), args, &out, &fault)
	return code, out.String(), fault.String()
}

// An alarm that the real program raised outlives its kill: what waits is delivered
// byte for byte the same, what was delivered is not told again, and who acknowledged it
// is still known.
func TestAlarmsAcknowledgementsAndTheirTestOnTheRealProgram(t *testing.T) {
	t.Parallel()
	w := &team{unwell: true, bodies: map[string][][]byte{}, taken: map[string]int{}}
	server := httptest.NewServer(w)
	defer server.Close()
	heard := filepath.Join(t.TempDir(), "heard")
	siren := filepath.Join(t.TempDir(), "siren")
	if err := os.WriteFile(siren, []byte("#!/bin/sh\necho $CANDLEMARK_STATE $CANDLEMARK_MESSAGE_ID >> "+heard+"\n"), 0o700); err != nil {
		t.Fatal(err)
	}
	file, socket := writeConfig(t, "127.0.0.1:0", fmt.Sprintf(alarmedConfig, silentPort(t), server.URL, siren))
	start := func() *process {
		p := launch(t, nil, "run", "--config", file)
		p.socket = socket
		p.url = "http://" + p.waitSaid(`serving metrics and status page address=(\S+)`)[1]
		return p
	}
	p := start()
	p.waitFor("the raising at both receivers", 2*startWithin, func() bool {
		_, bodies, _ := w.raising()
		b, _ := os.ReadFile(heard)
		return len(bodies) > 0 && bytes.Contains(b, []byte("raised"))
	})
	// What the acknowledgement below has written to the disk, the siren's delivery is among.
	p.waitFor("the siren's delivery noted", startWithin, func() bool {
		n, known := p.scrape()[`candlemark_notify_waiting_messages{receiver="siren"}`]
		return known && n == 0
	})
	for _, c := range []struct {
		args []string
		code int
		says string
	}{
		{[]string{"ack", "hop_down"}, exitFailure, "hop_down is not active; active now: link_down"},
		{[]string{"ack", "link_down", "--for", "31m"}, exitFailure, "link_down can be quiet for 30 min at most"},
		{[]string{"ack", "link_down", "--for", "-1m"}, exitUsage, "give a time above zero"},
		{[]string{"ack", "link_down", "--for", "10m"}, 0, "link_down: quiet for 10 min at most"},
	} {
		if code, out, fault := answer(t, append(c.args, "--socket", socket)...); code != c.code || !strings.Contains(out+fault, c.says) {
			t.Errorf("%v: %d %s%s, want %d with %q", c.args, code, out, fault, c.code, c.says)
		}
	}
	if err := p.signal(syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	<-p.ended
	w.be(false)
	p = start()
	p.waitFor("the raising again", startWithin, func() bool { _, _, taken := w.raising(); return taken > 0 })
	id, bodies, taken := w.raising()
	for _, b := range bodies {
		if !bytes.Equal(b, bodies[0]) {
			t.Errorf("two contents under the id %s:\n%s\n%s", id, bodies[0], b)
		}
	}
	if taken != 1 {
		t.Errorf("taken %d times", taken)
	}
	if text := p.status(); !strings.Contains(text, "acknowledged by "+who()+" ") {
		t.Errorf("status after the kill:\n%s", text)
	}
	if _, text := p.get("/metrics"); !strings.Contains(text, `candlemark_alarm_acknowledged{alarm="link_down",subject=""} 1`) {
		t.Error("the metrics do not say that it is acknowledged")
	}
	if _, text := p.get("/"); !strings.Contains(text, "Acknowledged by "+who()+" ") {
		t.Error("the page does not say who acknowledged it")
	}

	code, out, fault := answer(t, "alarm-test", "--socket", socket)
	if code != 0 || !strings.Contains(out, "answered 200 OK") || !strings.Contains(out, "the command ended well") {
		t.Errorf("alarm-test: %d %s%s", code, out, fault)
	}
	w.be(true)
	code, out, fault = answer(t, "alarm-test", "--socket", socket, "--format", "json")
	if code != exitFailure || !strings.Contains(out, "answered 503") || fault != "" {
		t.Errorf("alarm-test of an unwell receiver: %d %s%s", code, out, fault)
	}
	if code, _, fault := answer(t, "alarm-test", "--config", file); code != exitFailure || !strings.Contains(fault, "leave --config out") {
		t.Errorf("alarm-test beside the agent: %d %s", code, fault)
	}
	_, out, _ = answer(t, "log", "--socket", socket)
	for _, words := range []string{"acknowledged: quiet for 10 min", "test of the alarms: team: answered 200 OK; siren: the command ended well", "team failed: "} {
		if !strings.Contains(out, words) {
			t.Errorf("the record lacks %q:\n%s", words, out)
		}
	}
	p.stop(syscall.SIGTERM)
	if code, out, _ := answer(t, "alarm-test", "--config", file); code != exitFailure || !strings.Contains(out, "answered 503") || !strings.Contains(out, "the command ended well") {
		t.Errorf("alarm-test without an agent: %d %s", code, out)
	}
	b, err := os.ReadFile(heard)
	if err != nil {
		t.Fatal(err)
	}
	if n := strings.Count(string(b), "raised "); n != 1 {
		t.Errorf("the siren was told of the raising %d times:\n%s", n, b)
	}
	if n := strings.Count(string(b), "test "); n != 3 {
		t.Errorf("the siren was tested %d times:\n%s", n, b)
	}
}

func TestAlarmTestWithNobodyToTry(t *testing.T) {
	file, _ := writeConfig(t, "127.0.0.1:0", "relay: stairwell\ntargets: [{name: far, section: uplink, address: 127.0.0.1, port: 9}]\n")
	if code, _, fault := answer(t, "alarm-test", "--config", file); code != exitFailure || !strings.Contains(fault, "no alarm would reach anybody") {
		t.Errorf("%d %s", code, fault)
	}
	if code, _, fault := answer(t, "alarm-test", "--socket", filepath.Join(shortDir(t), "none")); code != exitFailure || !strings.Contains(fault, "without one with --config") {
		t.Errorf("%d %s", code, fault)
	}
}
