package alarm

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"candlemark/agent/pack"
	"candlemark/probes"
)

// wall is an invented day.
var wall = time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)

// rig feeds a machine one second at a time and keeps what changed.
type rig struct {
	m       *Machine
	in      Inputs
	zero    time.Time // wall clock at Up 0
	changes []Change
}

func newRig() *rig {
	r := &rig{m: New("boot1"), in: Inputs{ClockSet: true}, zero: wall}
	r.in.Packs = []PackInput{{
		Name: "A", Leads: Leads{NextPack: 45 * time.Minute, ShutDown: 15 * time.Minute},
		Forecast: discharging(90 * time.Minute), Seen: true, StaleAfter: 30 * time.Second,
	}}
	r.in.Targets = []TargetInput{
		{Name: "terminal", Section: probes.Hop, Answer: true},
		{Name: "near", Section: probes.Uplink, Answer: true},
		{Name: "far", Section: probes.Uplink, Answer: true},
	}
	return r
}

func discharging(cautious time.Duration) pack.Forecast {
	return pack.Forecast{State: pack.Discharging, Known: true, Cautious: cautious, Low: cautious + cautious/10,
		Expected: cautious + cautious/4, High: cautious + cautious/2, LoadW: 42, CutoffV: 15}
}

func (r *rig) pack() *PackInput { return &r.in.Packs[0] }

// read runs for d with a good reading every second.
func (r *rig) read(d time.Duration) { r.run(d, true) }

// silent runs for d without readings.
func (r *rig) silent(d time.Duration) { r.run(d, false) }

func (r *rig) run(d time.Duration, reading bool) {
	for end := r.in.Now.Up + d; r.in.Now.Up < end; {
		r.in.Now.Up += time.Second
		r.in.Now.Wall = r.zero.Add(r.in.Now.Up)
		if reading {
			r.pack().ReadingUp, r.pack().Seen = r.in.Now.Up, true
		}
		r.changes = append(r.changes, r.m.Step(r.in)...)
	}
}

// probe ends one probe of each target, in the order of in.Targets.
func (r *rig) probe(answers ...bool) {
	for i, a := range answers {
		r.in.Targets[i].Probes++
		r.in.Targets[i].Answer = a
	}
	r.read(time.Second)
}

// took returns the changes so far as words, and forgets them.
func (r *rig) took() []string {
	var out []string
	for _, c := range r.changes {
		verb := "cleared"
		if c.Raised {
			verb = "raised"
		}
		out = append(out, verb+" "+string(c.Alarm.Name)+" "+c.Alarm.Subject)
	}
	r.changes = nil
	return out
}

func (r *rig) expect(t *testing.T, want ...string) {
	t.Helper()
	if diff := cmp.Diff(want, r.took()); diff != "" {
		t.Fatalf("changes (-want +got):\n%s", diff)
	}
}

// expectActive panics rather than fails, for use inside a case.
func (r *rig) expectActive(n Name) {
	for _, a := range r.m.Active() {
		if a.Name == n {
			return
		}
	}
	panic("not active: " + string(n))
}

func TestClockNotSet(t *testing.T) {
	r := newRig()
	r.in.ClockSet = false
	r.read(2*time.Minute + time.Second)
	r.expect(t, "raised clock_not_set ")
	if a := r.m.Active()[0]; a.ClockSet {
		t.Error("the raising claims a clock that was set")
	}
	up := r.m.Active()[0].Raised.Up
	r.in.ClockSet = true
	r.zero = r.zero.Add(50 * 365 * 24 * time.Hour)
	r.read(time.Second)
	if a := r.m.Active()[0]; !a.ClockSet || !a.Raised.Wall.Equal(r.zero.Add(up)) || a.Raised.Up != up {
		t.Errorf("after the clock was set the raising is %v, want it at %v of the right clock", a.Raised, r.zero.Add(up))
	}
	r.read(10 * time.Second)
	r.expect(t, "cleared clock_not_set ")
}

func TestAComingCutIsToldWithItsTime(t *testing.T) {
	r := newRig()
	r.in.Feed = &FeedInput{Pack: "A", On: true}
	r.read(time.Minute)
	r.expect(t)
	r.in.Feed = &FeedInput{Pack: "A", On: true, CutComing: true, CutIn: 3 * time.Minute, Why: "the pack is at its reserve"}
	r.read(time.Second)
	r.expect(t, "raised feed_cut_coming A")
	a := r.m.Active()[0]
	at := r.zero.Add(r.in.Now.Up + 3*time.Minute).Format("15:04:05 MST")
	if want := "pack A will soon stop feeding the terminal: in 3 min, at " + at + ", because: the pack is at its reserve"; a.Title != want {
		t.Errorf("%q, want %q", a.Title, want)
	}
	r.in.ClockSet, r.in.Feed.ByHand, r.in.Feed.CutIn = false, true, 170*time.Second
	r.read(time.Second)
	r.expect(t)
	b := r.m.Active()[0]
	if want := "in 2 min 50 s, by hand, since no switch is fitted, because:"; !strings.Contains(b.Title, want) || b.ID != a.ID {
		t.Errorf("later %q of %s, want %q of %s", b.Title, b.ID, want, a.ID)
	}
	r.in.Feed = &FeedInput{Pack: "A"}
	r.changes = append(r.changes, r.m.Step(r.in)...)
	if because := r.changes[0].Because; because != "the feed was cut" {
		t.Errorf("cleared because %q", because)
	}
	r.expect(t, "cleared feed_cut_coming A")
	r.in.Feed = &FeedInput{Pack: "A", On: true, CutComing: true}
	r.read(time.Second)
	r.in.Feed = &FeedInput{Pack: "A", On: true}
	r.changes = append(r.changes, r.m.Step(r.in)...)
	if because := r.changes[len(r.changes)-1].Because; because != "the cut was called off" {
		t.Errorf("cleared because %q", because)
	}
}

func TestWordsCarryTheFigures(t *testing.T) {
	r := newRig()
	f := pack.Forecast{State: pack.Discharging, Known: true, Expected: 14*time.Minute + 50*time.Second,
		Low: 11 * time.Minute, High: 18 * time.Minute, Cautious: 9 * time.Minute, LoadW: 41.6, CutoffV: 15}
	r.pack().Forecast = f
	r.read(11 * time.Second)
	a := r.m.Active()[0]
	if want := "pack A will soon be flat: about 14 min left (9 in 10: 11 to 18 min; cautious: 9 min, 2 in 100 end sooner) at 41.6 W"; a.Title != want {
		t.Errorf("title\n got %q\nwant %q", a.Title, want)
	}
	if !strings.HasPrefix(a.Action, "shut the terminal down now: ") {
		t.Errorf("action %q", a.Action)
	}
	if b := r.changes[0].Because; !strings.Contains(b, "9 min") || !strings.Contains(b, "lead time of 15 min") {
		t.Errorf("because %q", b)
	}
	r.pack().Forecast = pack.Forecast{State: pack.Resting}
	r.read(3 * time.Minute)
	if a := r.m.Active()[0]; !strings.Contains(a.Title, "no load now") || !strings.Contains(a.Title, "3 min ago it was about 14 min left") {
		t.Errorf("title while resting %q", a.Title)
	}
}

func TestJumpingWallClockChangesNothing(t *testing.T) {
	straight, jumping := newRig(), newRig()
	walls := []time.Duration{0, -50 * 365 * 24 * time.Hour, 20 * time.Hour, -time.Second}
	for i := range 600 {
		for _, r := range []*rig{straight, jumping} {
			r.pack().Forecast = discharging(20*time.Minute - time.Duration(i)*time.Second)
			r.in.Now.Up += time.Second
			r.in.Now.Wall = wall.Add(r.in.Now.Up)
			r.pack().ReadingUp = r.in.Now.Up
			if r == jumping {
				r.in.Now.Wall = wall.Add(walls[i%len(walls)])
			}
			r.changes = append(r.changes, r.m.Step(r.in)...)
		}
	}
	if len(straight.changes) != 2 {
		t.Fatalf("%d changes, want 2", len(straight.changes))
	}
	for i, c := range jumping.changes {
		if c.Alarm.ID != straight.changes[i].Alarm.ID || c.At.Up != straight.changes[i].At.Up {
			t.Errorf("change %d differs: %v and %v", i, c, straight.changes[i])
		}
	}
}

func TestRestart(t *testing.T) {
	r := newRig()
	r.pack().Swaps = 3
	r.pack().Forecast = discharging(14 * time.Minute)
	r.read(time.Minute)
	before := r.m.Active()
	text, err := json.Marshal(r.m.Save())
	if err != nil {
		t.Fatal(err)
	}
	restart := func(swaps uint64, id string) *rig {
		var s Saved
		if err := json.Unmarshal(text, &s); err != nil {
			t.Fatal(err)
		}
		n := newRig()
		n.m = Resume(id, s)
		n.pack().Swaps, n.pack().Seen = swaps, false
		return n
	}

	t.Run("keeps ids and words, and moves the raising to the new time line", func(t *testing.T) {
		n := restart(3, "boot2")
		for i, a := range n.m.Active() {
			if a.ID != before[i].ID || a.Title != before[i].Title || !a.Raised.Wall.Equal(before[i].Raised.Wall) {
				t.Errorf("alarm %d: %v became %v", i, before[i], a)
			}
			if want := -(49 * time.Second); a.Raised.Up != want {
				t.Errorf("raised at %v on the new time line, want %v", a.Raised.Up, want)
			}
		}
		n.pack().Forecast = pack.Forecast{State: pack.Resting}
		n.read(time.Hour)
		n.expect(t)
	})
	t.Run("a swap across the restart clears", func(t *testing.T) {
		n := restart(4, "boot2")
		n.read(time.Second)
		n.expect(t, "cleared shut_terminal_down A", "cleared bring_next_pack A")
	})
	t.Run("the next life has a new id even under the same start id", func(t *testing.T) {
		n := restart(4, "boot1")
		n.pack().Forecast = discharging(time.Minute)
		n.read(20 * time.Second)
		for i, a := range n.m.Active() {
			if a.ID == before[i].ID {
				t.Errorf("id %s came twice", a.ID)
			}
		}
	})
	t.Run("garbage in the record is dropped", func(t *testing.T) {
		m := Resume("boot2", Saved{Alarms: []SavedAlarm{{}, {Active: Active{Name: "no_such", ID: "x"}}, {Active: Active{Name: LinkDown}}}})
		if a := m.Active(); len(a) != 0 {
			t.Errorf("active after garbage: %v", a)
		}
	})
}

func TestTextOfDurations(t *testing.T) {
	cases := []struct {
		d     time.Duration
		exact string
	}{
		{-time.Hour, "0 s"},
		{59 * time.Second, "59 s"},
		{119 * time.Second, "1 min 59 s"},
		{22*time.Minute + 30*time.Second, "22 min 30 s"},
		{119*time.Minute + 59*time.Second, "1 h 59 min 59 s"},
		{125 * time.Minute, "2 h 5 min"},
	}
	for _, c := range cases {
		if got := Exact(c.d); got != c.exact {
			t.Errorf("Exact(%v) = %q, want %q", c.d, got, c.exact)
		}
	}
	if got := span(30*time.Second, 125*time.Minute); got != "less than 1 min to 2 h 05 min" {
		t.Errorf("span %q", got)
	}
}

func TestCatalogueIsComplete(t *testing.T) {
	seen := map[Name]bool{}
	for _, e := range Catalogue() {
		if seen[e.Name] {
			t.Errorf("%s has two entries", e.Name)
		}
		seen[e.Name] = true
		if e.Title == "" || e.Action == "" || e.Means == "" || e.RaisedWhen == "" || e.ClearedWhen == "" || e.About == "" || e.Raise.Of == "" || e.Clear.Of == "" {
			t.Errorf("%s lacks words", e.Name)
		}
		if (e.About != "board") != strings.Contains(e.Title, "{subject}") {
			t.Errorf("%s is about a %s but its title is %q", e.Name, e.About, e.Title)
		}
		if got, ok := Lookup(e.Name); !ok || got != e {
			t.Errorf("%s is not found", e.Name)
		}
	}
	for _, n := range []Name{BringNextPack, ShutTerminalDown, PackAtCutoff, SensorStale, CurrentClipped, LinkDown, HopDown, ClockNotSet, FeedCutComing} {
		if !seen[n] {
			t.Errorf("%s has no entry", n)
		}
	}
	if _, ok := Lookup("no_such"); ok {
		t.Error("found an alarm that does not exist")
	}
}

func BenchmarkStep(b *testing.B) {
	r := newRig()
	r.pack().Forecast = discharging(14 * time.Minute)
	r.read(time.Minute)
	for b.Loop() {
		r.in.Now.Up += time.Second
		r.pack().ReadingUp = r.in.Now.Up
		r.m.Step(r.in)
	}
}
