package alarm

import (
	"encoding/json"
	"testing"
	"time"

	"pgregory.net/rapid"

	"candlemark/agent/pack"
	"candlemark/probes"
)

// drawForecast draws anything, also what no estimator would say.
func drawForecast(t *rapid.T) pack.Forecast {
	near := rapid.Custom(func(t *rapid.T) time.Duration {
		return time.Duration(rapid.IntRange(-1, 100).Draw(t, "minutes")) * time.Minute
	})
	any := rapid.OneOf(near, near, near, rapid.Custom(func(t *rapid.T) time.Duration {
		return time.Duration(rapid.Int64().Draw(t, "ns"))
	}))
	return pack.Forecast{
		State:    rapid.SampledFrom([]pack.State{pack.Discharging, pack.Discharging, pack.Discharging, pack.Charging, pack.Resting, pack.Absent, pack.Unknown, "", "?"}).Draw(t, "state"),
		Known:    rapid.Bool().Draw(t, "known"),
		Cautious: any.Draw(t, "cautious"), Expected: any.Draw(t, "expected"),
		Low: any.Draw(t, "low"), High: any.Draw(t, "high"),
		LoadW: rapid.Float64().Draw(t, "load"), CutoffV: rapid.Float64().Draw(t, "cutoff"),
	}
}

func drawInputs(t *rapid.T, now Instant) Inputs {
	in := Inputs{Now: now, ClockSet: rapid.Bool().Draw(t, "clock set")}
	in.Now.Wall = time.Unix(rapid.Int64Range(-1<<33, 1<<33).Draw(t, "wall"), 0)
	in.Packs = rapid.SliceOfN(rapid.Custom(func(t *rapid.T) PackInput {
		return PackInput{
			Name:     rapid.SampledFrom([]string{"A", "B", ""}).Draw(t, "pack"),
			Leads:    Leads{NextPack: 45 * time.Minute, ShutDown: 15 * time.Minute},
			Forecast: drawForecast(t), Clipped: rapid.Bool().Draw(t, "clipped"),
			ReadingUp: now.Up - time.Duration(rapid.IntRange(-5, 60).Draw(t, "age"))*time.Second,
			Seen:      rapid.Bool().Draw(t, "seen"), StaleAfter: 30 * time.Second,
			Swaps: rapid.Uint64Range(0, 3).Draw(t, "swaps"),
		}
	}), 0, 3).Draw(t, "packs")
	in.Targets = rapid.SliceOfN(rapid.Custom(func(t *rapid.T) TargetInput {
		return TargetInput{
			Name:    rapid.SampledFrom([]string{"x", "y", "z"}).Draw(t, "target"),
			Section: rapid.SampledFrom([]probes.Section{probes.Hop, probes.Uplink, "?"}).Draw(t, "section"),
			Probes:  rapid.Uint64Range(0, 9).Draw(t, "probes"), Answer: rapid.Bool().Draw(t, "answer"),
		}
	}), 0, 4).Draw(t, "targets")
	return in
}

// TestAnyInput holds the machine to its promises under input that no step would
// send: changes alternate, ids never come twice, Active agrees with the changes,
// and a restart in the midst of it loses nothing.
func TestAnyInput(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := New("s0")
		ids := map[string]bool{}
		raised := map[key]string{}
		var now Instant
		for i := range rapid.IntRange(1, 60).Draw(t, "steps") {
			now.Up += time.Duration(rapid.IntRange(-1, 90).Draw(t, "dt")) * time.Second
			seen := map[key]bool{}
			for _, c := range m.Step(drawInputs(t, now)) {
				k := key{c.Alarm.Name, c.Alarm.Subject}
				if seen[k] {
					t.Fatalf("%v changed twice in one step", k)
				}
				seen[k] = true
				id, was := raised[k]
				if was == c.Raised {
					t.Fatalf("%v: raised=%v while it was already", k, c.Raised)
				}
				if c.Raised {
					if ids[c.Alarm.ID] {
						t.Fatalf("id %s came twice", c.Alarm.ID)
					}
					ids[c.Alarm.ID] = true
					raised[k] = c.Alarm.ID
				} else {
					if c.Alarm.ID != id {
						t.Fatalf("%v raised as %s and cleared as %s", k, id, c.Alarm.ID)
					}
					delete(raised, k)
				}
				if c.Because == "" || c.Alarm.Title == "" || c.Alarm.Action == "" {
					t.Fatalf("no words in %+v", c)
				}
			}
			active := m.Active()
			if len(active) != len(raised) {
				t.Fatalf("%d active, %d raised", len(active), len(raised))
			}
			for _, a := range active {
				if raised[key{a.Name, a.Subject}] != a.ID {
					t.Fatalf("%s is active, raised was %s", a.ID, raised[key{a.Name, a.Subject}])
				}
			}
			if rapid.IntRange(0, 9).Draw(t, "restart") == 0 {
				text, err := json.Marshal(m.Save())
				if err != nil {
					t.Fatal(err)
				}
				var s Saved
				if err := json.Unmarshal(text, &s); err != nil {
					t.Fatal(err)
				}
				m, now = Resume("s"+string(rune('1'+i)), s), Instant{}
			}
		}
	})
}

// TestNoFlapping draws a forecast that jumps about the levels every second, and
// checks that a life and the pause after it last as long as the holds say.
func TestNoFlapping(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := newRig()
		changed := map[Name]time.Duration{}
		minutes := rapid.SampledFrom([]int{0, 10, 14, 15, 16, 22, 23, 44, 45, 46, 67, 68, 200})
		for range rapid.IntRange(1, 20).Draw(t, "phases") {
			r.pack().Forecast = discharging(time.Duration(minutes.Draw(t, "minutes")) * time.Minute)
			r.pack().Forecast.Known = rapid.IntRange(0, 5).Draw(t, "known") > 0
			r.pack().Clipped = rapid.Bool().Draw(t, "clipped")
			r.changes = nil
			r.run(time.Duration(rapid.IntRange(1, 150).Draw(t, "seconds"))*time.Second, rapid.IntRange(0, 3).Draw(t, "reading") > 0)
			for _, c := range r.changes {
				e, _ := Lookup(c.Alarm.Name)
				least := e.RaiseHold
				if !c.Raised {
					least = e.ClearHold
				}
				if at, ok := changed[e.Name]; ok && c.At.Up-at < least {
					t.Fatalf("%s changed after %v, its hold is %v", e.Name, c.At.Up-at, least)
				}
				changed[e.Name] = c.At.Up
			}
		}
	})
}

// TestLatchedThroughRecovery: whatever a pack without load looks like, its alarms stay.
func TestLatchedThroughRecovery(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := newRig()
		r.pack().Forecast = discharging(0)
		r.read(11 * time.Second)
		r.expectActive(PackAtCutoff)
		r.changes = nil
		for range rapid.IntRange(1, 8).Draw(t, "phases") {
			f := drawForecast(t)
			switch f.State {
			case pack.Charging:
				f.State = pack.Resting
			case pack.Discharging:
				f.LoadW = rapid.Float64Range(0, 20).Draw(t, "load") // 42 W at the raising
			}
			r.pack().Forecast = f
			r.read(time.Duration(rapid.IntRange(1, 200).Draw(t, "seconds")) * time.Second)
		}
		for _, c := range r.changes {
			if !c.Raised {
				t.Fatalf("%s was cleared: %s", c.Alarm.Name, c.Because)
			}
		}
	})
}

// FuzzResume feeds a damaged record to a restart.
func FuzzResume(f *testing.F) {
	f.Add([]byte(`{"next":3,"at":{"up_ns":5,"wall":"2026-11-25T08:00:00Z"},"alarms":[{"id":"x","name":"link_down","raised":{"up_ns":-9223372036854775808}}],"swaps":{"A":1}}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		var s Saved
		if json.Unmarshal(text, &s) != nil {
			return
		}
		r := newRig()
		r.m = Resume("boot2", s)
		r.read(5 * time.Second)
		for _, a := range r.m.Active() {
			if _, known := Lookup(a.Name); !known || a.ID == "" || a.Raised.Up > r.in.Now.Up {
				t.Errorf("active after a restart: %+v", a)
			}
		}
	})
}
