package main

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"testing"
)

// A disk that takes nothing, be it full or read-only, stops no agent: the pack is
// watched, the page says what is wrong, and nobody is told "noted" of what is not.
func TestADiskThatTakesNothingStopsNoAgent(t *testing.T) {
	t.Run("full", func(t *testing.T) {
		file, socket := writeConfig(t, "127.0.0.1:0", feedConfig)
		p := launch(t, nil, "run", "--config", file)
		p.waitSaid(`serving metrics`)
		p.stop(syscall.SIGTERM) // the journal is made while there is room
		prlimit, err := exec.LookPath("prlimit")
		if err != nil {
			absent(t, "not installed: prlimit (Debian package util-linux)")
		}
		p = launch(t, nil, "run", "--config", file)
		p.url = "http://" + p.waitSaid(`serving metrics and status page address=(\S+)`)[1]
		// From now on no file of the program may be written beyond its first byte.
		if out, err := exec.Command(prlimit, "--fsize=1:", "--pid", fmt.Sprint(p.pid)).CombinedOutput(); err != nil {
			t.Fatalf("prlimit: %v: %s", err, out)
		}
		stillWatches(t, p, socket)
		if out, err := exec.Command(prlimit, "--fsize=unlimited:", "--pid", fmt.Sprint(p.pid)).CombinedOutput(); err != nil {
			t.Fatalf("prlimit: %v: %s", err, out)
		}
		var said bytes.Buffer
		if code := execute(t.Context(), []string{"note", "there is room again", "--socket", socket}, &said, &said); code != 0 {
			t.Errorf("with room again: exit code %d: %s", code, said.String())
		}
		said.Reset()
		if code := execute(t.Context(), []string{"log", "--kind", "note", "--socket", socket}, &said, &said); code != 0 || !strings.Contains(said.String(), "while nothing is taken") {
			t.Errorf("what was said meanwhile is gone: %s", said.String())
		}
		p.stop(syscall.SIGTERM)
	})
	t.Run("read-only", func(t *testing.T) {
		file, socket := writeConfig(t, "127.0.0.1:0", feedConfig)
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		lines := strings.Split(string(text), "\n")
		for i, l := range lines {
			if strings.HasPrefix(l, "journal:") {
				lines[i] = "journal: /proc/1/journal.db" // where nobody may make a file, root neither
			}
		}
		if err := os.WriteFile(file, []byte(strings.Join(lines, "\n")), 0o600); err != nil {
			t.Fatal(err)
		}
		p := launch(t, nil, "run", "--config", file)
		p.url = "http://" + p.waitSaid(`serving metrics and status page address=(\S+)`)[1]
		stillWatches(t, p, socket)
		p.stop(syscall.SIGTERM)
	})
}

func stillWatches(t *testing.T, p *process, socket string) {
	t.Helper()
	var said bytes.Buffer
	if code := execute(t.Context(), []string{"note", "while nothing is taken", "--socket", socket}, &said, &said); code != 1 || !strings.Contains(said.String(), "not yet kept on the disk") {
		t.Errorf("note: exit code %d: %s", code, said.String())
	}
	p.waitFor("the page to say so", startWithin, func() bool {
		_, health := p.get("/health")
		return strings.Contains(health, "the journal cannot be written")
	})
	p.waitFor("a reading", startWithin, func() bool { up, _ := p.scrape().pack("sensor_up", "a"); return up == 1 })
	if p.scrape()["candlemark_journal_failing"] != 1 {
		t.Error("the metrics do not say that the journal fails")
	}
}
