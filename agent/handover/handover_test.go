package handover

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"candlemark/agent/alarm"
	"candlemark/agent/journal"
	"candlemark/agent/pack"
	"candlemark/agent/plan"
	"candlemark/agent/status"
	"candlemark/probes"
	"candlemark/sensors"
)

// zone is two hours ahead of UTC, so that local time and UTC cannot be confused.
func zone() *time.Location { return time.FixedZone("EET", 2*3600) }

func present() time.Time { return time.Date(2026, 5, 4, 18, 0, 0, 0, zone()) }

const bootUp = 20 * time.Hour // of the invented board at present()

// day is an invented shift, with everything recorded.
func day() Input {
	now := present()
	i := Incident{
		Name: "Alder Ford flood", Number: "26-114", Site: "school gymnasium", Requester: "county logistics", Contact: "site lead, channel 4",
		From: now.Add(-12 * time.Hour), To: now, Need: "forms and voice, one video call an hour", People: 40,
		Arrangement: "terminal on the south lawn, 30 m cable to the relay in the corridor", Fed: "48 V boost on one tool pack at a time",
		Primary: "satellite terminal", Alternate: "cellular router", Contingency: "VHF voice", Emergency: "messenger on foot",
		Opened: Stamp{now.Add(-12 * time.Hour), true}, FirstSeq: 1,
	}
	s := status.Snapshot{
		Relay: "mill-annex", Site: "mill annex", Taken: alarm.Instant{Up: 20 * time.Hour, Wall: now}, ClockSet: true,
		Packs: []status.Pack{{
			Name: "terminal", Spec: pack.Spec{Chemistry: pack.LiIon, SeriesCells: 5, CapacityAh: 5}, Leads: alarm.Leads{NextPack: 45 * time.Minute, ShutDown: 15 * time.Minute},
			Reading: sensors.Reading{PackV: 18.64, PackA: 2.72}, ReadingKnown: true, ReadingUp: 20*time.Hour - 4*time.Second,
			Forecast: pack.Forecast{State: pack.Discharging, Known: true, Expected: 41 * time.Minute, Low: 30 * time.Minute, High: 56 * time.Minute, LoadW: 50.7, ChargeRatio: 0.39, ChargeKnown: true, Basis: []pack.Basis{pack.NoHistory}},
		}},
		Targets: []status.Target{
			{Name: "relay", Section: probes.Hop, Kind: probes.Latency, LastKnown: true, Sent: 330, Last: probes.Result{Start: now.Add(-12 * time.Second), Latency: &probes.LatencyStats{Sent: 10, RTTKnown: true, Median: 3 * time.Millisecond, P95: 6 * time.Millisecond}}},
			{Name: "far end", Section: probes.Uplink, Kind: probes.Latency, LastKnown: true, Sent: 320, Lost: 12, Last: probes.Result{Start: now.Add(-20 * time.Second), Latency: &probes.LatencyStats{Sent: 10, Lost: 1, RTTKnown: true, Median: 44 * time.Millisecond, P95: 58 * time.Millisecond}}},
			{Name: "wide area", Section: probes.Uplink, Kind: probes.Throughput, LastKnown: true, Attempts: 4, Failures: 1, Last: probes.Result{Start: now.Add(-2 * time.Hour), Bytes: 20e6, Throughput: &probes.ThroughputStats{Down: 89.3e6, DownKnown: true, Up: 11.5e6, UpKnown: true}}},
		},
		Alarms: []alarm.Active{{Name: alarm.BringNextPack, Severity: alarm.Warning, Subject: "terminal", Title: "pack terminal must be replaced soon: about 40 min left", Action: "bring the next pack to the relay now: check that it is charged", Raised: alarm.Instant{Wall: now.Add(-10 * time.Minute)}, ClockSet: true}},
		Known:  []status.KnownPack{{Identity: "B3", Place: "terminal", LabelAh: 5, Verdict: pack.Good, Why: "gave 4.60 Ah at 2.5 A and 18 °C: 92 % of the label's 5.00 Ah"}, {Identity: "B4", LabelAh: 5, Verdict: pack.Tired, Why: "gave 3.80 Ah at 2.6 A and 17 °C: 76 % of the label's 5.00 Ah"}},
		Data:   status.Data{UsedToday: 80e6, BudgetPerDay: 500e6},
	}
	in := Input{
		Incident: i, Snapshot: s, Live: true, Boot: "boot-1", Now: now, Up: bootUp, ClockSet: true,
		Since: now.Add(-12 * time.Hour), SinceWhy: "last 12 h", Preparer: Preparer{"A. Operator", "COML", "county radio group"},
		Cautions: []plan.Caution{{Text: "Fuse at the pack's positive, close to it. Fuse and switch for DC above the full pack's voltage, the fuse able to break its short circuit, hundreds of amperes; rings and watches off; insulate terminals."}, {Text: "Lithium: no charging below 0 °C or unattended; no damaged, swollen, wet or hot packs; never defeat the pack's protection; keep clear of exits."}},
	}
	add := func(ago time.Duration, kind journal.Kind, subject, who, text string) {
		in.Records = append(in.Records, journal.Record{Seq: uint64(len(in.Records) + 1), Wall: now.Add(-ago), Boot: "boot-1", Up: bootUp - ago, Kind: kind, Subject: subject, Who: who, Text: text})
	}
	add(12*time.Hour, journal.KindIncident, "", "operator", "opened: Alder Ford flood")
	for k := range 6 {
		ago := 11*time.Hour - time.Duration(k)*100*time.Minute
		add(ago, journal.KindAlarm, "bring_next_pack terminal", "", "raised: the cautious time left is within the lead time of 45 min")
		add(ago-20*time.Minute, journal.KindSwap, "terminal", "operator", fmt.Sprintf("B%d in place; declared", k+1))
		add(ago-20*time.Minute, journal.KindAlarm, "bring_next_pack terminal", "", "cleared: another pack is in place")
		add(ago-40*time.Minute, journal.KindProbe, "wide area", "", "down 80.10 Mbit/s, up 10.20 Mbit/s, 20.0 MB spent in 8 s")
	}
	add(200*time.Minute, journal.KindNote, "", "operator", "hazard: cable crosses the ambulance drive")
	add(190*time.Minute, journal.KindNote, "", "operator", "weak: the connector at the door is warm")
	add(time.Hour, journal.KindNote, "", "operator", "moved the relay to the stairwell, second floor")
	slices.SortStableFunc(in.Records, func(a, b journal.Record) int { return a.Wall.Compare(b.Wall) })
	for k := range in.Records {
		in.Records[k].Seq = uint64(k + 1)
	}
	return in
}

// crowded has more of everything than a sheet holds.
func crowded() Input {
	in := day()
	long := strings.Repeat("the cable at the north door was moved again and is warm ", 8)
	in.Incident.Site, in.Incident.Arrangement, in.Incident.Need = long[:300], long[:400], long[:200]
	for k := range 8 {
		s := &in.Snapshot
		s.Packs, s.Targets = append(s.Packs, s.Packs[0]), append(s.Targets, s.Targets[k%3])
		s.Alarms, s.Known = append(s.Alarms, s.Alarms[0]), append(s.Known, s.Known[k%2])
		for _, l := range labels() {
			in.Records = append(in.Records, journal.Record{Seq: uint64(1000 + k), Wall: in.Now.Add(-time.Minute), Boot: "boot-1", Up: bootUp - time.Minute, Kind: journal.KindNote, Who: "operator", Text: l + ": " + long})
		}
		in.Records = append(in.Records, journal.Record{Seq: uint64(2000 + k), Wall: in.Now, Boot: "boot-1", Up: bootUp, Kind: journal.KindNote, Text: long})
	}
	return in
}

func renderAll(t *testing.T, p Page) (html, markdown, js string) {
	t.Helper()
	var a, b bytes.Buffer
	if err := HTML(&a, p); err != nil {
		t.Fatal(err)
	}
	if err := Markdown(&b, p); err != nil {
		t.Fatal(err)
	}
	c, err := json.Marshal(p)
	if err != nil {
		t.Fatal(err)
	}
	return a.String(), b.String(), string(c)
}

func TestThePageSaysWhatTheReliefMustKnow(t *testing.T) {
	html, markdown, js := renderAll(t, Build(day()))
	for _, want := range []string{
		"link stays up until 18:30 (low) / 18:41 (expected)", "next swap at 18:15", "Alder Ford flood", "26-114",
		"2026-05-04 06:00 to 18:00 EET (04:00 to 16:00 UTC)", "south lawn", "18.64 V", "39 %",
		"round trip 44 ms", "1 of 10 lost", "12 of 320", "down 89.3 Mbit/s, up 11.5 Mbit/s", "20 s ago",
		"pack terminal: 41 min left (30 to 56)", "tired", "cable crosses the ambulance drive", "connector at the door is warm",
		"moved the relay to the stairwell", "B6 in place", "messenger on foot", "A. Operator", "COML",
	} {
		for name, page := range map[string]string{"HTML": html, "Markdown": markdown, "JSON": js} {
			if !strings.Contains(page, want) {
				t.Errorf("%s does not say %q", name, want)
			}
		}
	}
	// 17:00 local is 15:00 UTC: both stand in the log.
	if !strings.Contains(markdown, "17:00 | 15:00 | note: moved the relay") {
		t.Error("the log does not give local time and UTC")
	}
}

// The block numbers of the public forms, in their order (ICS 214: 1 incident name,
// 2 operational period, 3 name, 4 position, 5 home agency, 6 resources assigned,
// 7 activity log, 8 prepared by; formsbank.com and nigp.org copies).
func TestTheActivityLogKeepsTheBlockOrderOfTheForm(t *testing.T) {
	html, markdown, _ := renderAll(t, Build(day()))
	for name, page := range map[string]string{"HTML": html, "Markdown": markdown} {
		at := strings.Index(page, "Activity log")
		for n := 1; n <= 8; n++ {
			next := strings.Index(page[at:], fmt.Sprintf("214-%d", n))
			if next < 0 {
				t.Fatalf("%s: block 214-%d is missing or out of order", name, n)
			}
			at += next
		}
		for _, block := range []string{"201-1", "201-2", "201-3", "201-5", "201-6", "201-7", "201-10", "205-3", "205-4", "205-5", "205-6"} {
			if !strings.Contains(page, block) {
				t.Errorf("%s: block %s is missing", name, block)
			}
		}
	}
}

func TestWhatNobodyRecordedIsSaidNotLeftBlank(t *testing.T) {
	for name, in := range map[string]Input{
		"nothing at all": {Now: present()},
		"an agent with nothing measured": {Now: present(), Live: true, Snapshot: status.Snapshot{Relay: "r", Packs: []status.Pack{{Name: "terminal"}},
			Targets: []status.Target{{Name: "far end", Section: probes.Uplink, Kind: probes.Latency}, {Name: "wide area", Kind: probes.Throughput, NotRun: "data budget spent"}}}},
	} {
		t.Run(name, func(t *testing.T) {
			p := Build(in)
			for _, rows := range [][]Row{p.Head, p.Service, p.Means, p.Activity} {
				for _, r := range rows {
					if strings.TrimSpace(r.Value) == "" {
						t.Errorf("%s is blank", r.Label)
					}
				}
			}
			for _, l := range p.Links {
				if l.Measured != NotMeasured || l.Age != NotKnown || l.Count == "" {
					t.Errorf("what was never measured shows as %+v", l)
				}
			}
			html, markdown, js := renderAll(t, p)
			for _, page := range []string{html, markdown} {
				if n := strings.Count(page, NotRecorded); n < 15 {
					t.Errorf("only %d things are not recorded", n)
				}
				for _, bad := range []string{"NaN", "0.00 V", "0.0 Mbit", "0001", "<nil>", "%!", " 0 ms"} {
					if strings.Contains(page, bad) {
						t.Errorf("%q stands for something unknown", bad)
					}
				}
			}
			if strings.Contains(js, ":null") && !strings.Contains(js, `"up_until_low":null`) {
				t.Error("JSON has a null list")
			}
			if !strings.Contains(markdown, "HOW LONG THE LINK STAYS UP: NOT KNOWN. Go by meter and clock.") || !strings.Contains(markdown, "clock is not set") {
				t.Error("the page does not say what it cannot tell")
			}
		})
	}
}

func TestAWrongClockIsPutRightOrMarked(t *testing.T) {
	now := present()
	in := Input{Now: now, Up: 2 * time.Hour, ClockSet: true, Boot: "b2", Full: true, Since: now.Add(-12 * time.Hour)}
	in.Records = []journal.Record{
		{Seq: 1, Boot: "b1", Up: time.Hour, Wall: time.Unix(3600, 0), Kind: journal.KindNote, Text: "clock never set"},
		{Seq: 2, Boot: "b2", Up: time.Minute, Wall: time.Unix(60, 0), Kind: journal.KindNote, Text: "before the clock was set"},
		{Seq: 3, Boot: "b2", Up: time.Hour, Wall: now.Add(-time.Hour), Kind: journal.KindNote, Text: "after"},
		{Seq: 4, Boot: "b2", Up: 2 * time.Hour, Wall: now.Add(time.Hour), Kind: journal.KindNote, Text: "from an hour ahead"},
		{Seq: 5, Boot: "b0", Up: time.Hour, Wall: now.Add(-20 * time.Hour), Kind: journal.KindNote, Text: "earlier than what was recorded before"},
	}
	want := map[uint64]struct {
		clock string
		at    time.Time
	}{
		2: {"~", now.Add(-119 * time.Minute)}, 3: {"", now.Add(-time.Hour)}, 4: {"~", now}, 5: {"?", now.Add(-20 * time.Hour)},
	}
	got := map[uint64]Entry{}
	for _, e := range Build(in).Log {
		got[e.Seq] = e
	}
	for seq, w := range want {
		if e, ok := got[seq]; !ok || e.Clock != w.clock || !e.At.Equal(w.at) {
			t.Errorf("record %d: %q at %s, want %q at %s", seq, e.Clock, e.At, w.clock, w.at)
		}
	}
}

func TestLabelledNotesStandInTheirPlace(t *testing.T) {
	in := day()
	for k, text := range []string{"arrangement: relay now wireless on its own pack", "Unknown: whether the roof may be walked on", "objective: keep voice up until 22:00", "resources: two technicians", "weather: rain"} {
		in.Records = append(in.Records, journal.Record{Seq: uint64(100 + k), Wall: in.Now.Add(-time.Minute), Boot: "boot-1", Up: bootUp - time.Minute, Kind: journal.KindNote, Text: text})
	}
	p := Build(in)
	if !strings.HasPrefix(p.Service[0].Value, "relay now wireless") || !strings.Contains(p.Service[2].Value, "keep voice up") || !strings.HasPrefix(p.Activity[5].Value, "two technicians") {
		t.Errorf("%+v %+v", p.Service, p.Activity[5])
	}
	if !strings.Contains(strings.Join(p.NotKnown, "\n"), "roof may be walked on") {
		t.Errorf("not known: %q", p.NotKnown)
	}
}

func TestGapsInTheRecordAreToldAsNotKnown(t *testing.T) {
	in := day()
	in.Records = append(in.Records[:3:3], in.Records[5:]...)
	in.Snapshot.Journal.Dropped = 2
	in.Full = true
	all := strings.Join(Build(in).NotKnown, "\n")
	if !strings.Contains(all, "2 numbers are missing") || !strings.Contains(all, "2 records were lost") {
		t.Error(all)
	}
}

func TestFullShowsEveryEntryAndTheSheetCountsWhatItLeavesOut(t *testing.T) {
	in := day()
	short := Build(in)
	in.Full = true
	whole := Build(in)
	if len(whole.Log) != len(in.Records) || whole.LogLeft != 0 {
		t.Errorf("full: %d of %d entries", len(whole.Log), len(in.Records))
	}
	if len(short.Log)+short.LogLeft+short.LogFolded != len(in.Records) || len(short.Log) < 8 {
		t.Errorf("sheet: %d shown, %d left out, of %d", len(short.Log), short.LogLeft, len(in.Records))
	}
	if last := short.Log[len(short.Log)-1]; !strings.Contains(last.Text, "stairwell") {
		t.Errorf("the newest entry gave way: %+v", last)
	}
}

func TestSparePacksTurnTheMeasuredLoadIntoAnAnswer(t *testing.T) {
	in := day()
	// 90 Wh packs at 45 W last 2 h each: three of them 6 h, or 3 h at half the
	// energy, less twice the quarter of an hour ahead (arithmetic).
	d := plan.Duty{Now: in.Now, Draws: []plan.Draw{{Feed: "terminal", LoadW: 45}}, Down: 0.6931471805599453, Ahead: 15 * time.Minute, Lead: 30 * time.Minute}
	for k := range 3 {
		o := plan.OnHand{Name: fmt.Sprintf("B%d", k), Chemistry: pack.LiIon, SeriesCells: 5, UsableWh: 90, Charge: 1, TempC: 15, TempKnown: true}
		if k == 0 {
			o.Feed = "terminal"
		}
		d.Packs = append(d.Packs, o)
	}
	in.Duty = &d
	e := Build(in).Endurance
	if want := "link stays up until 20:30 (low) / 23:30 (expected); next swap at 18:45; a generator must be here by 20:00"; e.Answer != want {
		t.Errorf("%q, want %q", e.Answer, want)
	}
}

func TestNoOpenAlarmAndNoActionGivesWayOnTheSheet(t *testing.T) {
	in := crowded()
	for _, e := range alarm.Catalogue() {
		in.Snapshot.Alarms = append(in.Snapshot.Alarms, alarm.Active{Name: e.Name, Severity: e.Severity, Subject: "terminal", Title: "of " + string(e.Name), Action: e.Action})
	}
	p := Build(in)
	if len(p.Alarms) != len(in.Snapshot.Alarms) {
		t.Errorf("%d of %d open alarms", len(p.Alarms), len(in.Snapshot.Alarms))
	}
	_, markdown, _ := renderAll(t, p)
	for _, a := range in.Snapshot.Alarms {
		if !strings.Contains(markdown, "Do: "+a.Action) {
			t.Errorf("the action of %s is not whole", a.Name)
		}
	}
}

func TestTheBoxItselfSaysWhatIsNotKnown(t *testing.T) {
	relay := status.Pack{Name: "relay"}
	for name, c := range map[string]struct {
		clockSet bool
		packs    []status.Pack
		want     string
	}{
		"another pack is not known": {true, []status.Pack{relay}, "Pack terminal lasts until 18:30 at the earliest (18:41 expected). Pack relay: NOT KNOWN. Next swap at 18:15"},
		"the clock is not set":      {false, nil, "link stays up until 18:30 (low) / 18:41 (expected) on the packs in use; next swap at 18:15, pack terminal. CLOCK NOT SET: in 30 to 41 min"},
		"neither":                   {false, []status.Pack{relay}, "Pack terminal lasts until 18:30 at the earliest (18:41 expected). Pack relay: NOT KNOWN. CLOCK NOT SET: in 30 to 41 min. Next swap at 18:15"},
	} {
		in := day()
		in.ClockSet = c.clockSet
		in.Snapshot.Packs = append(in.Snapshot.Packs, c.packs...)
		if got := Build(in).Endurance.Answer; got != c.want {
			t.Errorf("%s:\n%s, want\n%s", name, got, c.want)
		}
	}
}

func TestAPackToBeKeptFromUseStandsFirstAndWhole(t *testing.T) {
	got := advice([]plan.Advice{{Pack: "A", Why: "ready"}, {Pack: "B", Why: "60 % charged; no charger here"}, {Pack: "C", Why: "60 % charged; no charger here"}, {Pack: "D", Why: "found at 8.5 V: do not charge or use it, take it out of service"}})
	if len(got) != 2 || got[0].Label != "D" || got[1].Label != "B, C" {
		t.Errorf("%+v", got)
	}
}
