package board

import (
	"errors"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"candlemark/agent/clock"
)

func TestLookReadsThisBoard(t *testing.T) {
	text, err := os.ReadFile("/proc/uptime") // proc_uptime(5): CLOCK_BOOTTIME, in seconds
	if err != nil {
		t.Fatal(err)
	}
	s, err := strconv.ParseFloat(strings.Fields(string(text))[0], 64)
	if err != nil {
		t.Fatal(err)
	}
	e := Look("b", "")
	if off := e.Up.Seconds() - s; off < -0.1 || off > 5 || e.Boot != "b" || time.Since(e.Wall).Abs() > 5*time.Second {
		t.Errorf("uptime off by %.2f s: %+v", off, e)
	}
}

func TestAChipIsBelievedOnlyWhereItAgrees(t *testing.T) {
	dir := t.TempDir()
	for _, tt := range []struct {
		name, says string
		want       bool
	}{
		{"right", strconv.FormatInt(time.Now().Unix(), 10) + "\n", true},
		{"an hour off", strconv.FormatInt(time.Now().Unix()-3600, 10), false},
		{"rubbish", "never", false},
	} {
		if err := os.WriteFile(filepath.Join(dir, "since_epoch"), []byte(tt.says), 0o600); err != nil {
			t.Fatal(err)
		}
		e := Look("b", dir)
		// Where a time service keeps the clock, no chip is asked.
		if e.ChipAgrees != (tt.want && !e.Synchronised) {
			t.Errorf("%s: agrees %v", tt.name, e.ChipAgrees)
		}
	}
	if _, err := chipTime(filepath.Join(dir, "none")); !errors.Is(err, os.ErrNotExist) {
		t.Error(err)
	}
}

func TestTheKeeperSavesNewsAndNowAndThen(t *testing.T) {
	noon := time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC)
	var e clock.Evidence
	var saves []clock.State
	k := New("b", clock.New(clock.State{}, noon.Add(-time.Hour)), func() clock.Evidence { return e }, func(s clock.State) { saves = append(saves, s) })
	look := func(up time.Duration, sync bool) bool {
		e = clock.Evidence{Boot: "b", Up: up, Wall: noon.Add(up), Synchronised: sync}
		return k.Known()
	}
	if look(time.Second, false) || k.Source() != clock.None {
		t.Error("known from nothing")
	}
	if err := k.Set(noon.Add(time.Second)); err != nil || k.Source() != clock.Operator || len(saves) != 1 {
		t.Errorf("%v, by %q, %d saves", err, k.Source(), len(saves))
	}
	for up := 2 * time.Second; up < 5*time.Minute; up += time.Second {
		if !look(up, true) {
			t.Fatal("not known")
		}
	}
	if len(saves) != 2 { // the time service took over
		t.Errorf("%d saves", len(saves))
	}
	look(11*time.Minute, true)
	if len(saves) != 3 {
		t.Errorf("%d saves", len(saves))
	}
	if wall, ok := k.Wall("b", time.Minute); !ok || !wall.Equal(noon.Add(time.Minute)) || k.Uptime() != 11*time.Minute {
		t.Errorf("%v %v", wall, ok)
	}
	if err := k.Set(noon.Add(5 * time.Hour)); !errors.Is(err, clock.ErrKept) {
		t.Error(err)
	}
}
