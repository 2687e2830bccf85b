package hook

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"
)

// script writes an executable shell script.
func script(t *testing.T, text string) Command {
	t.Helper()
	path := filepath.Join(t.TempDir(), "hook")
	if err := os.WriteFile(path, []byte("#!/bin/sh\n"+text), 0o700); err != nil {
		t.Fatal(err)
	}
	return Command{Args: []string{path, "one", "two words"}, Timeout: 10 * time.Second}
}

func TestRun(t *testing.T) {
	t.Setenv("CANDLEMARK_TEST_SECRET", "must not be seen")
	cases := []struct {
		name, script string
		code         int
		output       string
		fault        string
	}{
		{"stdin, arguments and environment arrive", `cat; echo " $# $2 $NAME $CANDLEMARK_TEST_SECRET"; pwd`, 0, "text 2 two words value  /", ""},
		{"nothing else of the environment arrives", `env | grep -v -e ^PATH= -e ^NAME= -e ^PWD= -e ^_= -e ^SHLVL= -e ^OLDPWD=; true`, 0, "", ""},
		{"an exit status is a failure and told", `echo no such pack >&2; exit 3`, 3, "no such pack", "exit status 3: no such pack"},
		{"a death by signal is a failure", `kill -9 $$`, -1, "", "signal: killed"},
		{"a command that ignores its input ends well", `exec true`, 0, "", ""},
		{"control characters do not reach the log", `printf 'a\033[31mb\nc\377'; exit 1`, 1, "a [31mb c?", "a [31mb c?"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			res, err := script(t, c.script).Run(t.Context(), []byte("text"), []string{"NAME=value"})
			if res.Code != c.code || res.Output != c.output {
				t.Errorf("code %d output %q, want %d %q", res.Code, res.Output, c.code, c.output)
			}
			if (err != nil) != (c.fault != "") || err != nil && !strings.Contains(err.Error(), c.fault) {
				t.Errorf("error %v, want %q", err, c.fault)
			}
		})
	}
}

func TestOutputIsBounded(t *testing.T) {
	res, err := script(t, `head -c 300000 /dev/zero | tr '\0' x; echo the end`).Run(t.Context(), nil, nil)
	if err != nil || len(res.Output) > keptOutput || !strings.HasSuffix(res.Output, "xthe end") {
		t.Errorf("%d bytes ending %q, error %v", len(res.Output), res.Output[max(len(res.Output)-10, 0):], err)
	}
}

// gone waits until no process of that number is left but a zombie that nobody
// here can reap.
func gone(t *testing.T, pid int) bool {
	t.Helper()
	for range 100 {
		stat, err := os.ReadFile("/proc/" + strconv.Itoa(pid) + "/stat")
		if err != nil || strings.Contains(string(stat), ") Z ") {
			return true
		}
		time.Sleep(10 * time.Millisecond) // a foreign process does not tell when it ends
	}
	return false
}

func TestTimeIsUpForTheWholeGroup(t *testing.T) {
	cases := []struct {
		name, script string
		most         time.Duration
	}{
		{"an obedient one ends at SIGTERM", `sleep 60 & echo $! > "$FILE"; wait`, 8 * time.Second},
		{"a deaf child that holds the output goes with its parent", `sh -c "trap '' TERM; while :; do sleep 1; done" & echo $! > "$FILE"; exec sleep 60`, 8 * time.Second},
		{"a deaf one is killed", `trap '' TERM; sleep 60 & echo $! > "$FILE"; while :; do wait; done`, 8 * time.Second},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			file := filepath.Join(t.TempDir(), "pid")
			cmd := script(t, c.script)
			cmd.Timeout = 500 * time.Millisecond
			start := time.Now()
			_, err := cmd.Run(t.Context(), nil, []string{"FILE=" + file})
			if !errors.Is(err, ErrTime) {
				t.Errorf("error %v, want %v", err, ErrTime)
			}
			if took := time.Since(start); took > cmd.Timeout+c.most {
				t.Errorf("took %s", took)
			}
			text, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			pid, err := strconv.Atoi(strings.TrimSpace(string(text)))
			if err != nil {
				t.Fatal(err)
			}
			if !gone(t, pid) {
				t.Errorf("the child %d lives on", pid)
				_ = syscall.Kill(pid, syscall.SIGKILL)
			}
		})
	}
}

func TestChildThatHoldsTheOutputIsKilled(t *testing.T) {
	file := filepath.Join(t.TempDir(), "pid")
	start := time.Now()
	_, err := script(t, `sleep 60 & echo $! > "$FILE"`).Run(t.Context(), nil, []string{"FILE=" + file})
	if err == nil || !strings.Contains(err.Error(), "left a process") || time.Since(start) > 5*time.Second {
		t.Errorf("error %v after %s", err, time.Since(start))
	}
	text, _ := os.ReadFile(file)
	if pid, err := strconv.Atoi(strings.TrimSpace(string(text))); err != nil || !gone(t, pid) {
		t.Errorf("the child %q lives on (%v)", text, err)
	}
}

func TestContextEndsIt(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	time.AfterFunc(100*time.Millisecond, cancel)
	if _, err := script(t, "exec sleep 60").Run(ctx, nil, nil); !errors.Is(err, context.Canceled) {
		t.Errorf("error %v", err)
	}
}

func TestCheck(t *testing.T) {
	good := script(t, "")
	plain := filepath.Join(t.TempDir(), "plain")
	if err := os.WriteFile(plain, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	cases := []struct {
		name  string
		cmd   Command
		fault string
	}{
		{"a good one", good, ""},
		{"nothing", Command{Timeout: 1}, "is empty"},
		{"not from the root", Command{Args: []string{"true"}, Timeout: 1}, "not a full path"},
		{"missing", Command{Args: []string{"/nonexistent/x"}, Timeout: 1}, "no such file"},
		{"not executable", Command{Args: []string{plain}, Timeout: 1}, "chmod +x"},
		{"a directory", Command{Args: []string{"/"}, Timeout: 1}, "not an executable file"},
		{"no time", Command{Args: good.Args}, "not above 0"},
	}
	for _, c := range cases {
		err := c.cmd.Check()
		if (err != nil) != (c.fault != "") || err != nil && !strings.Contains(err.Error(), c.fault) {
			t.Errorf("%s: error %v, want %q", c.name, err, c.fault)
		}
	}
}
