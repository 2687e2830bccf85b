package main

import (
	"net"
	"net/http"
	"os"
	"os/exec"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"
)

// startDemo runs candlemark demo as a new user would, with nothing but a place
// for temporary files, and waits for its page.
func startDemo(t *testing.T, args ...string) (p *process, temp string) {
	t.Helper()
	temp = shortDir(t)
	p = launchWith(t, []string{"TMPDIR=" + temp}, nil, append([]string{"demo"}, args...)...)
	p.url = "http://" + p.waitSaid(`status page\s+http://(127\.0\.0\.1:\d+)/$`)[1]
	p.socket = p.waitSaid(`candlemark status --socket (\S+)$`)[1]
	return p, temp
}

// leavesNothing checks that the temporary files are gone.
func leavesNothing(t *testing.T, temp string) {
	t.Helper()
	left, err := os.ReadDir(temp)
	if err != nil || len(left) != 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
}

func TestDemoGoesFromFullThroughTheWarningsToTheCutOff(t *testing.T) {
	if testing.Short() {
		t.Skip("takes a minute")
	}
	t.Parallel()
	start := time.Now()
	p, temp := startDemo(t, "--once", "--listen", "127.0.0.1:0")
	if code, page := p.get("/"); code != http.StatusOK || !strings.Contains(page, "mill-annex") {
		t.Errorf("the page is %d: %s", code, page)
	}
	p.waitFor("the pack in the metrics", startWithin, func() bool {
		v, ok := p.scrape().pack("pack_voltage_volts", "terminal")
		return ok && v > 15 && v < 21
	})
	if code := p.exitCode(90 * time.Second); code != 0 {
		t.Errorf("exit code %d", code)
	}
	if took := time.Since(start); took > 90*time.Second {
		t.Errorf("took %s", took)
	}
	var raised []string
	for _, m := range regexp.MustCompile(`(?m)^\d+:\d\d:\d\d  >> (?:WARNING|CRITICAL): .+\n +(\w+): .+$`).FindAllStringSubmatch(p.out.String(), -1) {
		raised = append(raised, m[1])
	}
	if got, want := strings.Join(raised, " "), "bring_next_pack shut_terminal_down pack_at_cutoff"; got != want {
		t.Errorf("raised %q, want %q", got, want)
	}
	for _, want := range []string{"All figures are invented.", "shut the terminal down now: ", "the pack is flat.", "demo ended"} {
		if !strings.Contains(p.out.String(), want) {
			t.Errorf("does not say %q", want)
		}
	}
	leavesNothing(t, temp)
}

func TestDemoAnswersCommandsAndEndsOnInterrupt(t *testing.T) {
	t.Parallel()
	// Its port is taken: it finds another and says which.
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	p, temp := startDemo(t, "--listen", l.Addr().String())
	if strings.HasSuffix(p.url, l.Addr().String()) {
		t.Fatal("the page is where another program listens")
	}
	if told := p.status(); !regexp.MustCompile(`(?m)^pack terminal .* V .* A .* W`).MatchString(told) {
		t.Errorf("status says\n%s", told)
	}
	for _, c := range []struct {
		args []string
		want string
		code int
	}{
		{[]string{"swap", "--pack", "terminal", "--mark", "B3"}, `noted: .* at terminal\n`, 0},
		{[]string{"swap", "--pack", "terminl"}, `candlemark: refused: no pack is named "terminl"; the packs are: terminal\n`, 1},
		{[]string{"note", "rain has begun"}, `noted\n`, 0},
	} {
		cmd := exec.Command(program(t), append(c.args, "--socket", p.socket)...)
		out, _ := cmd.CombinedOutput() // the exit code tells
		if !regexp.MustCompile("^"+c.want+"$").Match(out) || cmd.ProcessState.ExitCode() != c.code {
			t.Errorf("%v says %q with exit code %d, want %q with %d", c.args, out, cmd.ProcessState.ExitCode(), c.want, c.code)
		}
	}
	out, err := exec.Command(program(t), "log", "--socket", p.socket).CombinedOutput()
	if err != nil || !regexp.MustCompile(`swap +terminal +B3 in place; declared by`).Match(out) || !strings.Contains(string(out), "rain has begun") {
		t.Errorf("log says %v\n%s", err, out)
	}
	p.stop(syscall.SIGINT)
	leavesNothing(t, temp)
}
