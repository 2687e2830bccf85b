// Package hook runs a configured command for a bounded time.
//
// The command gets its own process group, which is killed whole when its time is
// up: SIGTERM first, SIGKILL 2 s later. It does not inherit the agent's environment,
// which may hold what is nobody's business; it gets a plain PATH and what the
// caller gives. What it prints is kept up to a limit, the newest part of it, and
// only to explain a failure.
//
// Limits: a command that makes a process group of its own for a child
// (a daemon) takes that child out of reach; systemd ends it with the service.
package hook

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"time"
)

const (
	// Path is the PATH that commands get.
	Path       = "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin"
	termGrace  = 2 * time.Second
	pipeGrace  = time.Second // for children that hold the output open
	keptOutput = 2 << 10
)

// Command is what to run. Args[0] is a full path; no shell is involved.
type Command struct {
	Args    []string
	Timeout time.Duration
}

// Check finds what would keep the command from running, with the remedy.
func (c Command) Check() error {
	if len(c.Args) == 0 {
		return errors.New("command is empty; write the program's full path and its arguments")
	}
	if !filepath.IsAbs(c.Args[0]) {
		return fmt.Errorf("command %q is not a full path; write it from the root", c.Args[0])
	}
	info, err := os.Stat(c.Args[0])
	switch {
	case err != nil:
		return fmt.Errorf("command: %w", err)
	case !info.Mode().IsRegular() || info.Mode().Perm()&0o111 == 0:
		return fmt.Errorf("command %s is not an executable file; chmod +x it", c.Args[0])
	case c.Timeout <= 0:
		return fmt.Errorf("command %s: the time limit of %s is not above 0", c.Args[0], c.Timeout)
	}
	return nil
}

// Result is how a command ended.
type Result struct {
	Code    int    // exit status; -1 when it did not end by itself
	Output  string // the end of what it printed, on one line
	Elapsed time.Duration
}

// ErrTime says that the command's time was up.
var ErrTime = errors.New("did not end in time")

// Run runs the command with stdin and the environment env ("NAME=value") and waits
// for its end, for the time limit and a few seconds at most. The error is nil
// only for exit status 0.
func (c Command) Run(ctx context.Context, stdin []byte, env []string) (Result, error) {
	start := time.Now()
	ctx, cancel := context.WithTimeoutCause(ctx, c.Timeout, ErrTime)
	defer cancel()
	// Not CommandContext: the kill has two steps.
	cmd := exec.Command(c.Args[0], c.Args[1:]...)
	out := &tail{}
	cmd.Stdin, cmd.Stdout, cmd.Stderr = bytes.NewReader(stdin), out, out
	cmd.Env = []string{"PATH=" + Path}
	for _, e := range env {
		cmd.Env = append(cmd.Env, strings.ReplaceAll(e, "\x00", "?")) // else nothing would start
	}
	cmd.Dir = "/"
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	cmd.WaitDelay = pipeGrace
	if err := cmd.Start(); err != nil {
		return Result{Code: -1}, fmt.Errorf("hook %s: %w", c.Args[0], err)
	}
	group := -cmd.Process.Pid
	var waited error
	ended := make(chan struct{})
	go func() { waited = cmd.Wait(); close(ended) }()

	timed := false
	select {
	case <-ended:
	case <-ctx.Done():
		timed = true
		_ = syscall.Kill(group, syscall.SIGTERM) // it may have ended just now
		within(ended, termGrace)
		_ = syscall.Kill(group, syscall.SIGKILL)
		if !within(ended, termGrace) { // it hangs in the kernel
			return Result{Code: -1, Elapsed: time.Since(start)}, fmt.Errorf("hook %s: %w, and cannot be killed", c.Args[0], context.Cause(ctx))
		}
	}
	res := Result{Code: cmd.ProcessState.ExitCode(), Output: out.String(), Elapsed: time.Since(start)}
	err := waited
	switch {
	case timed:
		err = context.Cause(ctx)
	case errors.Is(waited, exec.ErrWaitDelay):
		// The group's number is not given to others while a member lives.
		_ = syscall.Kill(group, syscall.SIGKILL)
		err = errors.New("ended, but left a process that held its output; that was killed")
	}
	if err == nil {
		return res, nil
	}
	if res.Output != "" {
		err = fmt.Errorf("%w: %s", err, res.Output)
	}
	return res, fmt.Errorf("hook %s: %w", c.Args[0], err)
}

// within waits for done for a time, and reports whether it came.
func within(done <-chan struct{}, d time.Duration) bool {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-done:
		return true
	case <-timer.C:
		return false
	}
}
