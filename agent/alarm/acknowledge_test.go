package alarm

import (
	"encoding/json"
	"strings"
	"testing"
	"time"
)

// low is a rig in which pack A is within both lead times.
func low() *rig {
	r := newRig()
	r.read(time.Minute)
	r.pack().Forecast = discharging(14 * time.Minute)
	r.read(11 * time.Second)
	return r
}

func (r *rig) acknowledge(t *testing.T, n Name, quiet time.Duration) {
	t.Helper()
	if _, err := r.m.Acknowledge(n, "", quiet, "me", r.in.Now, true); err != nil {
		t.Fatal(err)
	}
}

func (r *rig) quiet(n Name) bool {
	for _, a := range r.m.Active() {
		if a.Name == n {
			return a.Acknowledged != nil
		}
	}
	return false
}

func TestAcknowledgementEnds(t *testing.T) {
	cases := []struct {
		name  string
		alarm Name
		do    func(r *rig)
		want  bool // still quiet
	}{
		{"not before its time", ShutTerminalDown, func(r *rig) { r.read(5*time.Minute - time.Second) }, true},
		{"when its time is over", ShutTerminalDown, func(r *rig) { r.read(5 * time.Minute) }, false},
		{"bring_next_pack may be quiet for longer", BringNextPack, func(r *rig) { r.read(19 * time.Minute) }, true},
		{"when the pack gets as low as the next alarm", ShutTerminalDown, func(r *rig) {
			r.pack().Forecast = discharging(0)
			r.read(11 * time.Second)
		}, false},
		{"not because of another pack's alarm", ShutTerminalDown, func(r *rig) {
			other := r.in.Packs[0]
			other.Name, other.Forecast = "B", discharging(0)
			r.in.Packs = append(r.in.Packs, other)
			for range 15 {
				r.in.Packs[1].ReadingUp = r.in.Now.Up
				r.read(time.Second)
			}
		}, true},
		{"not because of an alarm of another sort", ShutTerminalDown, func(r *rig) {
			r.pack().Clipped = true
			r.read(11 * time.Second)
		}, true},
		{"when it clears and comes again", ShutTerminalDown, func(r *rig) {
			r.pack().Forecast = discharging(90 * time.Minute)
			r.read(2*time.Minute + time.Second)
			r.pack().Forecast = discharging(10 * time.Minute)
			r.read(11 * time.Second)
		}, false},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			r := low()
			r.acknowledge(t, c.alarm, 0)
			c.do(r)
			if got := r.quiet(c.alarm); got != c.want {
				t.Errorf("quiet: %v, want %v", got, c.want)
			}
		})
	}
}

func TestEndOfQuietIsToldOnce(t *testing.T) {
	r := low()
	r.acknowledge(t, ShutTerminalDown, 20*time.Second)
	told := 0
	for range 60 {
		r.read(time.Second)
		told += len(r.m.Unquieted())
	}
	if told != 1 {
		t.Errorf("told %d times, want 1", told)
	}
}

func TestWhatCannotBeAcknowledged(t *testing.T) {
	r := low()
	for _, c := range []struct {
		name    string
		alarm   Name
		subject string
		quiet   time.Duration
		want    string
	}{
		{"no such alarm", "shut_terminal", "", 0, "the alarms are: pack_at_cutoff, shut_terminal_down"},
		{"not active", LinkDown, "", 0, "link_down is not active; active now: bring_next_pack of A, shut_terminal_down of A"},
		{"active for another pack", ShutTerminalDown, "B", 0, "shut_terminal_down of B is not active"},
		{"for longer than is safe", ShutTerminalDown, "", 6 * time.Minute, "quiet for 5 min at most"},
		{"backwards", ShutTerminalDown, "", -time.Minute, "quiet for 5 min at most"},
	} {
		if _, err := r.m.Acknowledge(c.alarm, c.subject, c.quiet, "me", r.in.Now, true); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", c.name, err, c.want)
		}
	}
	if r.quiet(ShutTerminalDown) || r.quiet(BringNextPack) {
		t.Error("a refusal quieted something")
	}
}

// A low pack must come back soon: common practice, no source.
func TestEveryAlarmComesBack(t *testing.T) {
	for _, e := range Catalogue() {
		most := 12 * time.Hour
		switch e.Name {
		case ShutTerminalDown, PackAtCutoff:
			most = 10 * time.Minute
		case BringNextPack:
			most = 20 * time.Minute
		}
		if e.QuietMost <= 0 || e.QuietMost > most {
			t.Errorf("%s can be quiet for %s, want more than 0 and %s at most", e.Name, e.QuietMost, most)
		}
	}
}

func TestAcknowledgementOutlivesARestart(t *testing.T) {
	r := low()
	r.acknowledge(t, ShutTerminalDown, 0)
	r.read(time.Minute)
	data, err := json.Marshal(r.m.Save())
	if err != nil {
		t.Fatal(err)
	}
	var saved Saved
	if err := json.Unmarshal(data, &saved); err != nil {
		t.Fatal(err)
	}
	later := newRig()
	later.m = Resume("boot2", saved)
	later.pack().Forecast = discharging(14 * time.Minute)
	later.read(4*time.Minute - time.Second)
	if !later.quiet(ShutTerminalDown) || later.quiet(BringNextPack) {
		t.Error("the acknowledgement was not carried over, or to another alarm")
	}
	a := later.m.Active()[0].Acknowledged
	if a.Who != "me" || a.At.Up != -time.Minute || !a.At.Wall.Equal(wall.Add(71*time.Second)) {
		t.Errorf("carried over as %+v", a)
	}
	later.read(time.Second)
	if later.quiet(ShutTerminalDown) {
		t.Error("5 min of running are over and it is still quiet")
	}
	saved.Alarms[1].Severity = Warning // an earlier version thought less of it
	if severer := Resume("boot3", saved).Active(); severer[0].Name != ShutTerminalDown || severer[0].Acknowledged != nil {
		t.Errorf("quiet although its severity rose: %+v", severer[0])
	}
}
