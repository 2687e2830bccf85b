package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"candlemark/agent/handover"
	"candlemark/agent/pack"
	"candlemark/agent/plan"
	"candlemark/agent/plan/planfile"
	"candlemark/agent/status"
	"candlemark/sensors"
)

func TestHandoverFromTheJournalAlone(t *testing.T) {
	path := emptyJournal(t)
	mustSay(t, path, "incident", "open", "--name", "Alder Ford <flood>", "--from", "06:00", "--to", "18:00")
	mustSay(t, path, "note", "hazard: cable crosses the drive")
	out := mustSay(t, path, "handover")
	for _, want := range []string{"Alder Ford &lt;flood&gt;", "cable crosses the drive", "no agent runs here", "HOW LONG THE LINK STAYS UP: NOT KNOWN. Go by meter and clock."} {
		if !strings.Contains(out, want) {
			t.Errorf("no %q in %s", want, out)
		}
	}
	page := filepath.Join(t.TempDir(), "page.html")
	mustSay(t, path, "handover", "--out", page, "--operational-period", "--prepared-by", "A. Operator")
	data, err := os.ReadFile(page)
	if err != nil || !strings.Contains(string(data), "<!doctype html>") || !strings.Contains(string(data), "operational period, from") {
		t.Errorf("%v %s", err, data)
	}
	var p handover.Page
	if err := json.Unmarshal([]byte(mustSay(t, path, "handover", "--format", "json")), &p); err != nil || !p.Full || p.Incident.Name != "Alder Ford <flood>" {
		t.Errorf("%+v, %v", p, err)
	}
}

func TestHandoverRefusesWhatItCannotDo(t *testing.T) {
	path := emptyJournal(t)
	for _, c := range []struct {
		args []string
		code int
		want string
	}{
		{[]string{"handover", "--operational-period"}, exitFailure, "no operational period"},
		{[]string{"handover", "--since", "1h", "--operational-period"}, exitUsage, "one of"},
		{[]string{"handover", "--since", "-1h"}, exitUsage, "above zero"},
		{[]string{"handover", "--out", "page.pdf"}, exitUsage, ".html"},
		{[]string{"incident", "change", "--site", "x"}, exitFailure, "no incident is open"},
		{[]string{"incident", "open", "--name", "x", "--from", "06:00"}, exitUsage, "one end"},
		{[]string{"incident", "open", "--name", "x", "--people", "-1"}, exitUsage, "above zero"},
		{[]string{"incident", "open", "--name", "two\nlines"}, exitUsage, "control"},
	} {
		if out, code := onJournal(t, path, c.args...); code != c.code || !strings.Contains(out, c.want) {
			t.Errorf("%q: %d, %s; want %d and %q", c.args, code, out, c.code, c.want)
		}
	}
}

func onPack(name string, f pack.Forecast) status.Snapshot {
	return status.Snapshot{Packs: []status.Pack{{Name: name, ReadingKnown: true, Reading: sensors.Reading{PackV: 18, PackA: 1}, Forecast: f}}}
}

// The example plan's stock with the load the agent measures.
func TestThePlansPacksAreUsedWithTheMeasuredLoad(t *testing.T) {
	p, err := planfile.Parse(planfile.Example(), "example")
	if err != nil {
		t.Fatal(err)
	}
	// One feed, which needs no name in common with the agent's.
	p.Arrangements = slices.DeleteFunc(p.Arrangements, func(a plan.Arrangement) bool { return len(a.Feeds) != 1 })
	report := p.Evaluate()
	now := time.Date(2026, 5, 4, 12, 0, 0, 0, time.UTC)
	known := pack.Forecast{State: pack.Discharging, Known: true, Expected: time.Hour, Low: 50 * time.Minute, High: 70 * time.Minute, LoadW: 33}
	d, err := measuredDuty(p, report, onPack("whatever", known), now)
	if err != nil {
		t.Fatal(err)
	}
	if len(d.Draws) != 1 || d.Draws[0].LoadW != 33 {
		t.Errorf("draws %+v, want the measured 33 W", d.Draws)
	}
	s, err := d.Rotate()
	if err != nil || s.NextSwap == nil || s.NextSwap.After(now.Add(50*time.Minute)) {
		t.Errorf("next swap %v, %v; the pack in use is empty after 50 min, low figure", s.NextSwap, err)
	}
	stale := onPack("terminal", known)
	stale.Packs[0].Stale = true
	clipped := onPack("terminal", known)
	clipped.Packs[0].Reading.Clipped = true
	for name, x := range map[string]status.Snapshot{"no agent": {}, "stale": stale, "clipped": clipped, "unknown": onPack("terminal", pack.Forecast{Why: "next to no load"})} {
		if _, err := measuredDuty(p, report, x, now); err == nil {
			t.Errorf("%s: an answer was given", name)
		}
	}
}
