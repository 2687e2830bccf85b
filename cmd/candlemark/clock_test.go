package main

import (
	"bytes"
	"strings"
	"syscall"
	"testing"
	"time"

	"candlemark/agent/clock/board"
)

// The operator's word for the time is what the agent stamps by, over a kill too. A
// machine whose clock a time service keeps takes no other, and says so.
func TestTheOperatorSaysWhatTimeItIs(t *testing.T) {
	file, socket := writeConfig(t, "127.0.0.1:0", feedConfig)
	p := launch(t, nil, "run", "--config", file)
	p.waitSaid(`serving metrics`)
	clock := func(code int, want string, args ...string) {
		t.Helper()
		var out bytes.Buffer
		got := execute(t.Context(), append(append([]string{"clock"}, args...), "--socket", socket), &out, &out)
		if got != code || !strings.Contains(out.String(), want) {
			t.Errorf("clock %q: exit code %d, want %d; %q, want %q", args, got, code, out.String(), want)
		}
	}
	clock(1, "refused: set the clock: ", "set", "1999-12-31 23:59")
	clock(2, "is not a time", "set", "noon")
	later := time.Now().Add(400 * 24 * time.Hour)
	if board.Look("", "").Synchronised {
		clock(1, "a time service keeps this clock", "set", later.Format(time.RFC3339))
		clock(0, "known from: time service")
		p.stop(syscall.SIGTERM)
		return
	}
	clock(0, "the time of day is not known")
	clock(0, "it is "+later.Format("2006-01-02 15:"), "set", later.Format(time.RFC3339))
	p.waitFor("the word to be taken", startWithin, func() bool {
		var out bytes.Buffer
		return execute(t.Context(), []string{"clock", "--socket", socket}, &out, &out) == 0 && strings.Contains(out.String(), "known from: operator")
	})
	if err := p.signal(syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	<-p.ended
	p = launch(t, nil, "run", "--config", file)
	p.waitSaid(`serving metrics`)
	clock(0, "it is "+later.Format("2006-01-02 15:"))
	var out bytes.Buffer
	if code := execute(t.Context(), []string{"log", "--socket", socket}, &out, &out); code != 0 || !strings.Contains(out.String(), later.Format("2006-01-02 15:")) {
		t.Errorf("log: exit code %d, without the time that was said:\n%s", code, out.String())
	}
	// An earlier time than the journal has seen is a slip of the hand, or a flat watch.
	clock(1, "which the journal has seen", "set", time.Now().Format(time.RFC3339))
	p.stop(syscall.SIGTERM)
}
