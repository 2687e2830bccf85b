package footprint_test

import (
	"bufio"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"syscall"
	"testing"
	"time"
)

// What the agent may cost.
const (
	scrapes  = 1000
	pace     = 10 * time.Millisecond // so that the agent also reads, estimates and probes meanwhile
	mostMB   = 24.0
	mostTime = 1.5 // of the bare exporter
)

const config = `relay: footprint
site: bench
listen: 127.0.0.1:0
journal: %[1]s/journal.db
control_socket: %[1]s/control.sock
packs:
  - name: a
    chemistry: li-ion
    series_cells: 5
    capacity: 8Ah
    sensor: {kind: simulated, shunt: 10mΩ, shunt_rating: 3W, largest_load: 10A}
    sample_every: 200ms
targets:
  - {name: board, section: hop, address: 127.0.0.1, every: 5s}
`

// BenchmarkAnonymousMemory measures the real program and the bare exporter after
// the same 1,000 scrapes each, in one run.
func BenchmarkAnonymousMemory(b *testing.B) {
	if _, err := os.Stat("/proc/self/status"); err != nil {
		b.Skip("no /proc: memory cannot be measured here")
	}
	dir := b.TempDir()
	file := filepath.Join(dir, "candlemark.yaml")
	if err := os.WriteFile(file, fmt.Appendf(nil, config, dir), 0o600); err != nil {
		b.Fatal(err)
	}
	bare := build(b, dir, "candlemark/deploy/footprint/bare")
	agent := build(b, dir, "candlemark/cmd/candlemark")
	for b.Loop() {
		bareMB := measure(b, bare)
		agentMB := measure(b, agent, "run", "--config", file)
		b.ReportMetric(bareMB, "bare-MB")
		b.ReportMetric(agentMB, "agent-MB")
		b.ReportMetric(agentMB/bareMB, "agent/bare")
		if agentMB > mostMB || agentMB > mostTime*bareMB {
			b.Errorf("the agent holds %.1f MB, the bare exporter %.1f MB: at most %.1f times as much and %.0f MB", agentMB, bareMB, mostTime, mostMB)
		}
	}
}

func build(b *testing.B, dir, pkg string) string {
	b.Helper()
	path := filepath.Join(dir, filepath.Base(pkg))
	cmd := exec.Command("go", "build", "-ldflags=-s -w", "-o", path, pkg)
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := cmd.CombinedOutput(); err != nil {
		b.Fatalf("build %s: %v\n%s", pkg, err, out)
	}
	return path
}

// measure runs a program that says address=HOST:PORT, scrapes it and returns its
// anonymous memory in megabytes.
func measure(b *testing.B, program string, args ...string) float64 {
	b.Helper()
	said, pipe := io.Pipe()
	cmd := exec.Command(program, args...)
	cmd.Stdout, cmd.Stderr = pipe, pipe
	if err := cmd.Start(); err != nil {
		b.Fatal(err)
	}
	defer func() {
		_ = cmd.Process.Signal(syscall.SIGTERM)
		late := time.AfterFunc(10*time.Second, func() { _ = cmd.Process.Kill() })
		_ = cmd.Wait() // ended by the signal
		late.Stop()
		pipe.Close()
	}()
	url := "http://" + address(b, said) + "/metrics"
	tick := time.NewTicker(pace)
	defer tick.Stop()
	for range scrapes {
		<-tick.C
		resp, err := http.Get(url)
		if err != nil {
			b.Fatal(err)
		}
		_, err = io.Copy(io.Discard, resp.Body)
		resp.Body.Close()
		if err != nil || resp.StatusCode != http.StatusOK {
			b.Fatalf("scrape: %s, %v", resp.Status, err)
		}
	}
	return anonymousMB(b, cmd.Process.Pid)
}

// address finds where the program listens, and keeps reading what it says so
// that it never blocks.
func address(b *testing.B, said io.Reader) string {
	b.Helper()
	found := make(chan string, 1)
	go func() {
		pattern := regexp.MustCompile(`address=(127\.0\.0\.1:\d+)`)
		for s := bufio.NewScanner(said); s.Scan(); {
			if m := pattern.FindStringSubmatch(s.Text()); m != nil {
				select {
				case found <- m[1]:
				default:
				}
			}
		}
	}()
	select {
	case a := <-found:
		return a
	case <-time.After(20 * time.Second):
		b.Fatal("the program does not say where it listens")
		return ""
	}
}

func anonymousMB(b *testing.B, pid int) float64 {
	b.Helper()
	status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		b.Fatal(err)
	}
	m := regexp.MustCompile(`RssAnon:\s+(\d+) kB`).FindSubmatch(status)
	if m == nil {
		b.Fatal("the kernel does not say RssAnon")
	}
	kB, err := strconv.ParseFloat(string(m[1]), 64)
	if err != nil {
		b.Fatal(err)
	}
	return kB * 1024 / 1e6
}
