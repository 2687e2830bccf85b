package main

import (
	"bytes"
	"errors"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"candlemark/agent/alarm"
	"candlemark/agent/config"
)

const feedConfig = `relay: stairwell
packs:
  - name: a
    chemistry: li-ion
    series_cells: 5
    capacity: 5Ah
    sensor: {kind: simulated, simulated_load: 30W}
feed:
  terminal_draw: 20W
  shutdown_takes: 1s
`

// An off over the socket runs the terminal's shutdown, outlives a kill of the
// agent, and is ended by an on; a schedule wants a clear yes. The switch's chip is
// not there, which is told and stops nothing.
func TestFeedOverTheSocket(t *testing.T) {
	mark := filepath.Join(t.TempDir(), "shut")
	file, socket := writeConfig(t, "127.0.0.1:0", feedConfig+"  shutdown_command: [/bin/sh, -c, 'echo \"$CANDLEMARK_WHY\" > "+mark+"']\n"+
		"  switch: {chip: no-such-chip, line: 17, contact: normally_closed, pull: down, dead_board_leaves: on}\n")
	p := launch(t, nil, "run", "--config", file)
	p.waitSaid(`serving metrics`)
	p.waitSaid(`the feed's switch does not obey: .*no-such-chip`)
	feed := func(code int, want string, args ...string) {
		t.Helper()
		var out, fault bytes.Buffer
		got := execute(t.Context(), append(append([]string{"feed"}, args...), "--socket", socket), &out, &fault)
		if all := out.String() + fault.String(); got != code || !strings.Contains(all, want) {
			t.Errorf("feed %q: exit code %d, want %d; %q, want %q", args, got, code, all, want)
		}
	}
	feed(0, "the terminal's feed is on")
	feed(1, "refused: off for 30 s is shorter than", "off", "--for", "30s")
	feed(1, "nothing was changed; type yes", "schedule", "--on", "10m", "--every", "1h") // nobody answers
	feed(0, "asked for by "+who(), "off", "--for", "45m")
	p.waitFor("the shutdown", startWithin, func() bool {
		b, err := os.ReadFile(mark)
		return err == nil && strings.Contains(string(b), "asked for by "+who())
	})
	p.waitSaid(`feed off: .*; it returns in 44 min`)
	if err := p.signal(syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	<-p.ended

	p = launch(t, nil, "run", "--config", file)
	p.waitSaid(`serving metrics`)
	// What was not on the disk yet when the kill came is done once more, and a feed
	// that went off just now rests before it returns: both take seconds.
	says := func(want string) func() bool {
		return func() bool {
			var out bytes.Buffer
			return execute(t.Context(), []string{"feed", "--socket", socket}, &out, &out) == 0 && strings.Contains(out.String(), want)
		}
	}
	p.waitFor("the off to be carried on", startWithin, says("the terminal's feed is off: off for 45 min asked for by "+who()))
	feed(0, "", "on")
	p.waitFor("the feed to return", startWithin, says("the terminal's feed is on"))
	feed(0, "what it would buy is not known", "schedule", "--on", "10m", "--every", "1h", "--yes")
	feed(0, "schedule: on for 10 min in every 1 h")
	p.stop(syscall.SIGTERM)
}

// Each drawing's declaration is accepted, and refused once it promises what the
// wiring does not do.
func TestTheWiringDocumentsDeclarationsHold(t *testing.T) {
	base, _, _ := strings.Cut(strings.Replace(feedConfig, "name: a", "name: terminal", 1), "feed:")
	blocks := regexp.MustCompile("(?s)```yaml\n(.*?)```").FindAllStringSubmatch(document(t, feedWiring), -1)
	if len(blocks) != 3 {
		t.Fatalf("%d declarations, want 3", len(blocks))
	}
	turned := strings.NewReplacer("dead_board_leaves: on", "dead_board_leaves: off", "dead_board_leaves: off", "dead_board_leaves: on", "dead_board_leaves: as_it_was", "dead_board_leaves: on")
	for _, b := range blocks {
		file, _ := writeConfig(t, "127.0.0.1:0", base+b[1])
		if _, err := load(file); err != nil {
			t.Errorf("%s\n%v", b[1], err)
		}
		file, _ = writeConfig(t, "127.0.0.1:0", base+turned.Replace(b[1]))
		if _, err := load(file); err == nil || !strings.Contains(err.Error(), "a board without power leaves the feed") {
			t.Errorf("turned round it is accepted:\n%s\n%v", turned.Replace(b[1]), err)
		}
	}
}

type heard struct{ times int }

func (h *heard) Publish([]alarm.Change, []alarm.Active) { h.times++ }

func TestAlarmsReachEverybody(t *testing.T) {
	a, b := &heard{}, &heard{}
	everybody{a, b}.Publish(nil, nil)
	if a.times != 1 || b.times != 1 {
		t.Errorf("told %d and %d times, want once each", a.times, b.times)
	}
}

func TestSwitchingIsSavedFirstAndNotHeldUpByTheDisk(t *testing.T) {
	saved := false
	l := &lateSwitch{sync: func(time.Duration) error { saved = true; return errors.New("disk full") }}
	if err := l.Set(true); err == nil || strings.Contains(err.Error(), "disk full") || !saved {
		t.Errorf("%v, saved %v: want it saved first, and a fault of the wiring alone", err, saved)
	}
	if err := l.Close(); err != nil {
		t.Error(err)
	}
}

func TestSelfCheckLooksAtSwitchAndCommands(t *testing.T) {
	cfg := &config.Config{
		Receivers: []config.Receiver{{Name: "siren", Kind: "command", Command: []string{"/bin/true"}, Timeout: time.Second}, {Name: "gone", Kind: "command", Command: []string{"/no/such/program"}, Timeout: time.Second}},
		Signal:    config.Signal{Lamp: &config.Output{Chip: "no-such-chip", Line: "1"}},
		Feed:      &config.Feed{Pack: "a", Switch: &config.FeedSwitch{Chip: "no-such-chip", Line: "2", Contact: "normally_open", Pull: "down", DeadBoardLeaves: "off"}},
	}
	got := map[string]string{}
	for _, f := range checkLocal(cfg, false) {
		got[f.What] = f.Result
		if f.Result == isFault && f.Remedy == "" {
			t.Errorf("%s: %s without a remedy", f.What, f.Detail)
		}
	}
	want := map[string]string{"receiver siren": isGood, "receiver gone": isFault, "lamp": isFault, "feed switch": isFault}
	if !maps.Equal(got, want) {
		t.Errorf("found %v, want %v", got, want)
	}
}
