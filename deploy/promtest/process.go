package promtest

import (
	"bufio"
	"io"
	"net/http"
	"os"
	"os/exec"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

const (
	startTimeout = 30 * time.Second
	stopTimeout  = 10 * time.Second
	pollEvery    = 200 * time.Millisecond
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

// run starts a program that says on its standard error where it listens, and
// returns that address. The program is ended with the test, or killed by kill.
func run(t testing.TB, program string, args ...string) (address string, kill func()) {
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
	listens, read := make(chan string, 1), make(chan struct{})
	go func() {
		defer close(read)
		said.follow(stderr, listens)
	}()
	end := sync.OnceFunc(func() {
		late := time.AfterFunc(stopTimeout, func() { _ = cmd.Process.Kill() })
		<-read // Wait may close the pipe only after the reader is done
		_ = cmd.Wait()
		late.Stop()
	})
	t.Cleanup(func() {
		// It may have ended already; then there is nothing to end.
		_ = cmd.Process.Signal(syscall.SIGTERM)
		end()
	})
	kill = func() {
		_ = cmd.Process.Kill()
		end()
	}
	select {
	case a := <-listens:
		return a, kill
	case <-read:
		t.Fatalf("%s ended at once:\n%s", program, said.String())
	case <-time.After(startTimeout):
		t.Fatalf("%s does not listen after %v:\n%s", program, startTimeout, said.String())
	}
	return "", nil
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
