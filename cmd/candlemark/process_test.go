package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
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

	"periph.io/x/conn/v3/i2c"

	"candlemark/sensors/ina219/ina219test/i2cshim"
)

// How long a test waits. The machine may be busy; a healthy program needs a
// fraction of it.
const (
	startWithin = 30 * time.Second
	stopWithin  = 10 * time.Second
	lookEvery   = 100 * time.Millisecond
)

// saidText is what a program printed. It may be read while the program runs.
type saidText struct {
	mu  sync.Mutex
	buf bytes.Buffer
}

func (s *saidText) Write(b []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.buf.Write(b)
}

func (s *saidText) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.buf.String()
}

// process is the static program at work.
type process struct {
	t      testing.TB
	pid    int
	out    saidText
	url    string // of the page
	socket string
	signal func(os.Signal) error
	ended  chan struct{}
	err    error // once ended is closed
}

// runProgram starts candlemark run with a configuration, whose listen, journal
// and control_socket are added here, and waits for its page. Its /dev/i2c-N are
// the given buses; with none it runs without the shim.
func runProgram(t testing.TB, config string, buses map[int]i2c.Bus) *process {
	t.Helper()
	file, socket := writeConfig(t, "127.0.0.1:0", config)
	p := launch(t, buses, "run", "--config", file)
	p.socket = socket
	p.url = "http://" + p.waitSaid(`serving metrics and status page address=(\S+)`)[1]
	return p
}

// shortDir is a directory for sockets: the kernel takes 107 bytes for their paths
// (unix(7)), and t.TempDir spends most of them on the test's name.
func shortDir(t testing.TB) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "cm")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	return dir
}

func writeConfig(t testing.TB, listen, config string) (file, socket string) {
	t.Helper()
	dir := shortDir(t)
	file, socket = filepath.Join(dir, "candlemark.yaml"), filepath.Join(dir, "c.sock")
	text := fmt.Sprintf("listen: %s\njournal: %s/journal.db\ncontrol_socket: %s\n%s", listen, dir, socket, config)
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return file, socket
}

// launch starts the program. It is killed with the test if it still runs then.
func launch(t testing.TB, buses map[int]i2c.Bus, args ...string) *process {
	t.Helper()
	return launchWith(t, nil, buses, args...)
}

// launchWith is launch with more in the environment.
func launchWith(t testing.TB, more []string, buses map[int]i2c.Bus, args ...string) *process {
	t.Helper()
	env := append(os.Environ(), more...)
	p := &process{t: t, ended: make(chan struct{})}
	argv := append([]string{program(t)}, args...)
	ctx, kill := context.WithCancel(context.Background())
	var wait func() error
	if len(buses) > 0 {
		sp, err := i2cshim.Start(ctx, buses, argv, env, &p.out, &p.out)
		if errors.Is(err, i2cshim.ErrUnavailable) {
			kill()
			absent(t, err.Error())
		}
		if err != nil {
			kill()
			t.Fatal(err)
		}
		p.pid, p.signal, wait = sp.PID(), sp.Signal, sp.Wait
	} else {
		cmd := exec.CommandContext(ctx, argv[0], argv[1:]...)
		cmd.Env, cmd.Stdout, cmd.Stderr = env, &p.out, &p.out
		if err := cmd.Start(); err != nil {
			kill()
			t.Fatal(err)
		}
		p.pid, p.signal, wait = cmd.Process.Pid, cmd.Process.Signal, cmd.Wait
	}
	go func() {
		p.err = wait()
		close(p.ended)
	}()
	t.Cleanup(func() {
		kill()
		<-p.ended
		if t.Failed() {
			t.Logf("the program said:\n%s", p.out.String())
		}
	})
	return p
}

// waitSaid waits until the program's output matches, and returns the groups.
func (p *process) waitSaid(pattern string) []string {
	p.t.Helper()
	re := regexp.MustCompile("(?m)" + pattern)
	var m []string
	p.waitFor("output that matches "+pattern, startWithin, func() bool {
		m = re.FindStringSubmatch(p.out.String())
		return m != nil
	})
	return m
}

// waitFor waits for a condition, and no longer than the program runs.
func (p *process) waitFor(what string, within time.Duration, done func() bool) {
	p.t.Helper()
	for end := time.Now().Add(within); !done(); {
		select {
		case <-p.ended:
			if !done() {
				p.t.Fatalf("the program ended (%v) before there was %s", p.err, what)
			}
			return
		case <-time.After(lookEvery):
		}
		if time.Now().After(end) {
			p.t.Fatalf("waited %s for %s", within, what)
		}
	}
}

// exitCode waits for the program to end.
func (p *process) exitCode(within time.Duration) int {
	p.t.Helper()
	select {
	case <-p.ended:
	case <-time.After(within):
		p.t.Fatalf("the program still runs after %s", within)
	}
	var exit *exec.ExitError
	switch {
	case p.err == nil:
		return 0
	case errors.As(p.err, &exit):
		return exit.ExitCode()
	}
	p.t.Fatal(p.err)
	return -1
}

// stop ends the program as an operator or systemd does, and checks that it goes
// in order: soon, with exit code 0.
func (p *process) stop(sig syscall.Signal) {
	p.t.Helper()
	start := time.Now()
	if err := p.signal(sig); err != nil {
		p.t.Fatal(err)
	}
	if code := p.exitCode(stopWithin); code != 0 {
		p.t.Errorf("after %s: exit code %d after %s, want 0", sig, code, time.Since(start).Round(time.Millisecond))
	}
}

// get fetches a path of the page.
func (p *process) get(path string) (status int, body string) {
	p.t.Helper()
	resp, err := http.Get(p.url + path)
	if err != nil {
		p.t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		p.t.Fatal(err)
	}
	return resp.StatusCode, string(b)
}

// series are scraped values by name and labels as they are written.
type series map[string]float64

// scrape reads the metrics.
func (p *process) scrape() series {
	p.t.Helper()
	code, body := p.get("/metrics")
	if code != http.StatusOK {
		p.t.Fatalf("metrics: status %d", code)
	}
	out := series{}
	for line := range strings.Lines(body) {
		i := strings.LastIndexByte(line, ' ')
		if i < 0 || line[0] == '#' {
			continue
		}
		v, err := strconv.ParseFloat(strings.TrimSpace(line[i:]), 64)
		if err != nil {
			p.t.Fatalf("metrics: %q: %v", line, err)
		}
		out[line[:i]] = v
	}
	return out
}

// pack is a series of one pack: "voltage_volts" is candlemark_pack_voltage_volts.
func (s series) pack(name, pack string) (float64, bool) {
	v, ok := s[fmt.Sprintf("candlemark_%s{pack=%q}", name, pack)]
	return v, ok
}

// alarm says whether an alarm is active.
func (s series) alarm(name, subject string) bool {
	for key, v := range s {
		if v == 1 && strings.HasPrefix(key, "candlemark_alarm_active{alarm="+strconv.Quote(name)+",") && strings.Contains(key, "subject="+strconv.Quote(subject)) {
			return true
		}
	}
	return false
}

// status asks the running program through its socket, with the same program.
func (p *process) status() string {
	p.t.Helper()
	out, err := exec.Command(program(p.t), "status", "--socket", p.socket).CombinedOutput()
	if err != nil {
		p.t.Fatalf("status: %v\n%s", err, out)
	}
	return string(out)
}
