package footprint_test

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"candlemark/agent/journal"
)

// What the agent may cost.
const (
	scrapes     = 1000
	pace        = 10 * time.Millisecond // so that the agent also reads, estimates and probes meanwhile
	readyWithin = 2 * time.Minute
	mostMB      = 24.0
	mostTime    = 1.5 // of the bare exporter
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
    capacity: 5Ah
    cutoff: 15V
    lockout: 14V
    sensor: {kind: simulated, simulated_load: 200W} # so much that the estimate is at work within seconds
targets:
  - {name: board, section: hop, address: 127.0.0.1, every: 5s}
  - {name: far, section: uplink, address: 127.0.0.2, every: 5s}
`

// A pack that was learned makes the estimate hold most.
var learned = []string{
	"learn", "--pack", "../../testdata/pack.yaml", "--trace", "../../testdata/earlier.csv", "--trace", "../../testdata/discharge.csv",
	"--mark", "a (unmarked)",
}

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
		path := filepath.Join(dir, "journal.db")
		if err := os.RemoveAll(path); err != nil {
			b.Fatal(err)
		}
		// learn writes into a journal that is there, as an agent before left it.
		j, err := journal.Open(path, journal.Options{})
		if err == nil {
			err = j.Close()
		}
		if err != nil {
			b.Fatal(err)
		}
		if out, err := exec.Command(agent, append(learned, "--journal", path)...).CombinedOutput(); err != nil {
			b.Fatalf("learn: %v\n%s", err, out)
		}
		bareMB, _ := measure(b, "go_goroutines", bare)
		agentMB, cpu := measure(b, "candlemark_pack_runtime_seconds{", agent, "run", "--config", file)
		b.ReportMetric(cpu, "agent-CPU")
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

// measure runs a program that says address=HOST:PORT, waits until a series that
// begins with ready is there, scrapes it, and returns its anonymous memory in
// megabytes and its share of one processor since it was ready.
func measure(b *testing.B, ready, program string, args ...string) (mb, cpu float64) {
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
	for end := time.Now().Add(readyWithin); !strings.Contains(scrape(b, url), "\n"+ready); time.Sleep(100 * time.Millisecond) {
		if time.Now().After(end) {
			b.Fatalf("no %s after %s", ready, readyWithin)
		}
	}
	start, used := time.Now(), cpuTime(b, cmd.Process.Pid)
	tick := time.NewTicker(pace)
	defer tick.Stop()
	for range scrapes {
		<-tick.C
		scrape(b, url)
	}
	cpu = float64(cpuTime(b, cmd.Process.Pid)-used) / float64(time.Since(start))
	return anonymousMB(b, cmd.Process.Pid), cpu
}

func scrape(b *testing.B, url string) string {
	b.Helper()
	resp, err := http.Get(url)
	if err != nil {
		b.Fatal(err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil || resp.StatusCode != http.StatusOK {
		b.Fatalf("scrape: %s, %v", resp.Status, err)
	}
	return string(body)
}

// cpuTime is what a process has used, utime and stime of proc_pid_stat(5).
func cpuTime(b *testing.B, pid int) time.Duration {
	b.Helper()
	stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		b.Fatal(err)
	}
	const tick = 10 * time.Millisecond // USER_HZ is 100 on Linux
	fields := strings.Fields(string(stat[bytes.LastIndexByte(stat, ')')+1:]))
	sum := time.Duration(0)
	for _, f := range fields[11:13] {
		n, err := strconv.ParseInt(f, 10, 64)
		if err != nil {
			b.Fatal(err)
		}
		sum += time.Duration(n) * tick
	}
	return sum
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
