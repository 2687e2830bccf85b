package main

import (
	"bytes"
	"context"
	"encoding/json"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"candlemark/agent/journal"
)

func TestLogFilters(t *testing.T) {
	path := filepath.Join(t.TempDir(), "journal.db")
	j, err := journal.Open(path, journal.Options{Boot: "b"})
	if err != nil {
		t.Fatal(err)
	}
	now := time.Now()
	for _, r := range []journal.Record{
		{Wall: now.Add(-5 * time.Hour), Kind: journal.KindSwap, Subject: "terminal", Text: "one"},
		{Wall: now.Add(-3 * time.Hour), Kind: journal.KindAlarm, Subject: "bring_next_pack terminal", Text: "two"},
		{Wall: now.Add(-2 * time.Hour), Kind: journal.KindAlarm, Subject: "bring_next_pack router", Text: "three"},
		{Wall: now.Add(-time.Minute), Kind: journal.KindNote, Who: "ana", Text: "four"},
	} {
		j.Append(r)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		args string
		want string
		code int
	}{
		{"", "one two three four", 0},
		{"--kind alarm", "two three", 0},
		{"--kind alarm --kind note", "two three four", 0},
		{"--kind swap,note", "one four", 0},
		{"--pack terminal", "one two", 0},
		{"--pack term", "", 0},
		{"--since 4h", "two three four", 0},
		{"--since 4h --until 1h", "two three", 0},
		{"--until 150m --limit 1", "two", 0},
		{"--kind alarms", `"alarms" is not known; there are: agent, alarm`, 2},
		{"--since 1h --until 2h", "is not later than", 2},
		{"--follow", "needs the running agent", 2},
		{"--follow --format json", "use --format ndjson", 2},
	} {
		args := append([]string{"log", "--socket", path + ".none", "--journal", path, "--format", "ndjson"}, strings.Fields(c.args)...)
		var out, fault bytes.Buffer
		code := execute(t.Context(), args, &out, &fault)
		var got []string
		for d := json.NewDecoder(&out); d.More(); {
			var r journal.Record
			if err := d.Decode(&r); err != nil {
				t.Fatal(err)
			}
			got = append(got, r.Text)
		}
		if code != c.code || code == 0 && strings.Join(got, " ") != c.want || code != 0 && !strings.Contains(fault.String(), c.want) {
			t.Errorf("log %s: exit code %d, %q %s; want %d, %q", c.args, code, got, fault.String(), c.code, c.want)
		}
	}
}

// What is followed is told once each, over a kill and restart of the agent, and
// what is older than asked for not at all.
func TestLogFollowsOverARestart(t *testing.T) {
	file, socket := writeConfig(t, "127.0.0.1:0", feedConfig)
	p := launch(t, nil, "run", "--config", file)
	p.waitSaid(`serving metrics`)
	note := func(text string) {
		t.Helper()
		var out bytes.Buffer
		if code := execute(t.Context(), []string{"note", text, "--socket", socket}, &out, &out); code != 0 {
			t.Fatalf("note: exit code %d: %s", code, out.String())
		}
	}
	note("before")
	note("shown at first")
	ctx, stop := context.WithCancel(t.Context())
	var said saidText
	ended := make(chan int, 1)
	go func() {
		ended <- execute(ctx, []string{"log", "--socket", socket, "--kind", "note", "--limit", "1", "--follow"}, &said, &said)
	}()
	says := func(text string) func() bool {
		return func() bool { return strings.Contains(said.String(), text) }
	}
	p.waitFor("the newest note", startWithin, says("shown at first"))
	note("as it happens")
	p.waitFor("a note as it happens", startWithin, says("as it happens"))
	if err := p.signal(syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	<-p.ended
	p = launch(t, nil, "run", "--config", file)
	p.waitSaid(`serving metrics`)
	note("after the restart")
	p.waitFor("a note after the restart", startWithin, says("after the restart"))
	stop()
	if code := <-ended; code != 0 {
		t.Errorf("exit code %d", code)
	}
	for text, want := range map[string]int{"before": 0, "shown at first": 1, "as it happens": 1, "after the restart": 1} {
		if n := strings.Count(said.String(), text); n != want {
			t.Errorf("%q was told %d times, want %d:\n%s", text, n, want, said.String())
		}
	}
	p.stop(syscall.SIGTERM)
}
