package handover

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"candlemark/agent/alarm"
	"candlemark/agent/feed"
	"candlemark/agent/journal"
	"candlemark/agent/status"
)

func TestTheBoxBeginsWithAnOpenOrderAndSaysThatTheLinkIsOff(t *testing.T) {
	off := func(in *Input) *feed.View {
		in.Snapshot.Feed = &status.Feed{Pack: "terminal", View: feed.View{Switched: true, Mode: feed.ModeOff, ChangeIn: 40 * time.Minute, ChangeKnown: true}}
		return &in.Snapshot.Feed.View
	}
	order := func(in *Input, action, by string) {
		in.Snapshot.Alarms = append(in.Snapshot.Alarms, alarm.Active{Name: alarm.ShutTerminalDown, Severity: alarm.Critical, Subject: "terminal", Action: action, By: by})
	}
	for name, c := range map[string]struct {
		change func(*Input)
		want   string
	}{
		"a critical order": {func(in *Input) {
			by := "have it off by 18:30 EET (30 min). A swap before then makes this unnecessary"
			order(in, "shut the terminal down now: "+by+". Tell the people", by)
		}, "SHUT THE TERMINAL DOWN NOW, have it off by 18:30 EET (30 min); link stays up until 18:30 (low) / 18:41 (expected) on the packs in use; next swap at 18:15, pack terminal"},
		"the link is off": {func(in *Input) { off(in) },
			"link is OFF until 18:40; at the present load, terminal off, the packs in use last until 18:30 (low) / 18:41 (expected); next swap at 18:15, pack terminal"},
		"off, and what is left after it is known, with an order": {func(in *Input) {
			v := off(in)
			v.After, v.AfterKnown = feed.Runtime{MeanW: 87.6, Low: 12 * time.Minute, Expected: 16 * time.Minute}, true
			order(in, "swap the pack before 18:40 EET (40 min), or lengthen the off: the terminal is off until then", "")
		}, "SWAP THE PACK BEFORE 18:40 EET (40 min), OR LENGTHEN THE OFF; link is OFF until 18:40; back on, it stays up until 18:52 (low) / 18:56 (expected); next swap at 18:37, pack terminal"},
	} {
		in := day()
		c.change(&in)
		if got := Build(in).Endurance.Answer; got != c.want {
			t.Errorf("%s:\n%s, want\n%s", name, got, c.want)
		}
	}
}

func TestTheLogKeepsWhatPeopleWroteAndFoldsRepeatedAlarms(t *testing.T) {
	in := day()
	in.Records = nil
	put := func(ago time.Duration, kind journal.Kind, subject, who, text string) {
		in.Records = append(in.Records, journal.Record{Seq: uint64(len(in.Records) + 1), Wall: in.Now.Add(-ago), Boot: "boot-1", Up: bootUp - ago, Kind: kind, Subject: subject, Who: who, Text: text})
	}
	put(600*time.Minute, journal.KindIncident, "", "operator", "incident opened")
	put(590*time.Minute, journal.KindSwap, "terminal", "operator", "B3 in place; declared")
	put(580*time.Minute, journal.KindNote, "", "operator", "generator on loan until noon")
	for k := range 96 {
		ago := time.Duration(500-5*k) * time.Minute
		put(ago, journal.KindAlarm, "shut_terminal_down terminal", "", "raised: the cautious time left is within the lead time")
		put(ago-time.Minute, journal.KindProbe, "wide", "", fmt.Sprintf("down %d Mbit/s", k))
	}
	p := Build(in)
	_, text, _ := renderAll(t, p)
	for _, want := range []string{"incident opened", "B3 in place", "generator on loan until noon", "96 times since "} {
		if strings.Count(text, want) != 1 {
			t.Errorf("%q stands %d times in\n%s", want, strings.Count(text, want), text)
		}
	}
	if p.LogFolded != 95 || len(p.Log) < 8 {
		t.Errorf("%d folded, %d shown", p.LogFolded, len(p.Log))
	}
}

func TestAPeriodThatEndedSaysSo(t *testing.T) {
	in := day()
	in.Since, in.Until, in.SinceWhy = in.Now.Add(-15*time.Hour), in.Now.Add(-3*time.Hour), "operational period"
	got := Build(in).LogFrom
	if !strings.Contains(got, "this period ended 3 h ago; later entries are not shown") || !strings.Contains(got, " to ") {
		t.Errorf("%q", got)
	}
}
