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
	"sync"
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
	mostCPU     = 0.5 // per cent of one core

	scrapeEvery = 15 * time.Second
	shortWindow = 30 * time.Second // shows that the benchmark works; no verdict
	longWindow  = 5 * time.Minute
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
    sample_every: 1s
    sensor: {kind: simulated, simulated_load: 200W} # so much that the estimate is at work within seconds
targets:
  - {name: board, section: hop, address: 127.0.0.1%[2]s}
  - {name: far, section: uplink, address: 127.0.0.2%[2]s}
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
	k := newKit(b, ", every: 5s") // busier than usual, so that what grows has grown
	bare, agent, file := k.bare, k.agent, k.file
	for b.Loop() {
		k.learn(b)
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

// BenchmarkProcessorTime measures what both use of the processor at 1 Hz sampling,
// scraped every 15 s, side by side. Only the long form, which averages over five
// minutes, judges.
func BenchmarkProcessorTime(b *testing.B) {
	if _, err := os.Stat("/proc/self/stat"); err != nil {
		b.Skip("no /proc: processor time cannot be measured here")
	}
	window, judges := shortWindow, os.Getenv("CANDLEMARK_LONG") != ""
	if judges {
		window = longWindow
	}
	k := newKit(b, "") // probes as often as the configuration has them by itself
	for b.Loop() {
		k.learn(b)
		func() {
			bare, endBare := start(b, "go_goroutines", k.bare)
			defer endBare()
			agent, endAgent := start(b, "candlemark_pack_runtime_seconds{", k.agent, "run", "--config", k.file)
			defer endAgent()
			both := []program{bare, agent}
			var used [2]time.Duration
			for i, p := range both {
				used[i] = -cpuTime(b, p.pid)
			}
			begin := time.Now()
			for n := time.Duration(1); n*scrapeEvery <= window; n++ {
				time.Sleep(time.Until(begin.Add(n * scrapeEvery)))
				for _, p := range both {
					scrape(b, p.url)
				}
			}
			elapsed := time.Since(begin)
			var percent [2]float64
			for i, p := range both {
				percent[i] = 100 * float64(used[i]+cpuTime(b, p.pid)) / float64(elapsed)
			}
			b.ReportMetric(percent[0], "bare-CPU-%")
			b.ReportMetric(percent[1], "agent-CPU-%")
			if judges && percent[1] > mostCPU {
				b.Errorf("the agent takes %.2f %% of one core, the bare exporter %.2f %%: at most %.1f %%", percent[1], percent[0], mostCPU)
			}
		}()
	}
}

// kit is what both benchmarks run.
type kit struct {
	dir, bare, agent, file string
}

// newKit builds the programs; extra ends the line of each target.
func newKit(b *testing.B, extra string) kit {
	b.Helper()
	dir := b.TempDir()
	k := kit{dir: dir, file: filepath.Join(dir, "candlemark.yaml")}
	if err := os.WriteFile(k.file, fmt.Appendf(nil, config, dir, extra), 0o600); err != nil {
		b.Fatal(err)
	}
	k.bare = build(b, dir, "candlemark/deploy/footprint/bare")
	k.agent = build(b, dir, "candlemark/cmd/candlemark")
	return k
}

// learn makes the journal anew, with a pack that was learned.
func (k kit) learn(b *testing.B) {
	b.Helper()
	path := filepath.Join(k.dir, "journal.db")
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
	if out, err := exec.Command(k.agent, append(learned, "--journal", path)...).CombinedOutput(); err != nil {
		b.Fatalf("learn: %v\n%s", err, out)
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

// program is one that runs.
type program struct {
	pid int
	url string // of its metrics
}

// start runs a program that says address=HOST:PORT, and waits until a series that
// begins with ready is there. end ends it.
func start(b *testing.B, ready, path string, args ...string) (p program, end func()) {
	b.Helper()
	said, pipe := io.Pipe()
	cmd := exec.Command(path, args...)
	cmd.Stdout, cmd.Stderr = pipe, pipe
	if err := cmd.Start(); err != nil {
		b.Fatal(err)
	}
	end = sync.OnceFunc(func() {
		_ = cmd.Process.Signal(syscall.SIGTERM)
		late := time.AfterFunc(10*time.Second, func() { _ = cmd.Process.Kill() })
		_ = cmd.Wait() // ended by the signal
		late.Stop()
		pipe.Close()
	})
	b.Cleanup(end) // where what follows fails
	p = program{pid: cmd.Process.Pid, url: "http://" + address(b, said) + "/metrics"}
	for late := time.Now().Add(readyWithin); !strings.Contains(scrape(b, p.url), "\n"+ready); time.Sleep(100 * time.Millisecond) {
		if time.Now().After(late) {
			b.Fatalf("no %s after %s", ready, readyWithin)
		}
	}
	return p, end
}

// measure runs a program, scrapes it, and returns its anonymous memory in megabytes
// and its share of one processor since it was ready.
func measure(b *testing.B, ready, path string, args ...string) (mb, cpu float64) {
	b.Helper()
	p, end := start(b, ready, path, args...)
	defer end()
	begin, used := time.Now(), cpuTime(b, p.pid)
	tick := time.NewTicker(pace)
	defer tick.Stop()
	for range scrapes {
		<-tick.C
		scrape(b, p.url)
	}
	cpu = float64(cpuTime(b, p.pid)-used) / float64(time.Since(begin))
	return anonymousMB(b, p.pid), cpu
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
