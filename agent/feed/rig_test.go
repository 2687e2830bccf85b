package feed

import (
	"encoding/json"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"candlemark/agent/pack"
)

// noon is an invented day.
var noon = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

func usual() Setup {
	return Setup{Switched: true, Hook: true, TerminalW: 45, Reserve: 20 * time.Minute, WarnFor: 2 * time.Minute,
		CloseFor: time.Minute, StartUp: 3 * time.Minute, LongestOff: 12 * time.Hour}
}

func discharging(cautious time.Duration) pack.Forecast {
	return pack.Forecast{State: pack.Discharging, Known: true, Cautious: cautious, Low: cautious * 11 / 10,
		Expected: cautious * 5 / 4, High: cautious * 3 / 2, LoadW: 50, CutoffV: 15}
}

// rig steps a machine second by second and keeps what it did.
type rig struct {
	t     testing.TB
	m     *Machine
	in    Inputs
	start Start
	wall  time.Time // at zero of the agent's line
	saved Saved     // the newest
	did   []string
	texts []string
}

func newRig(t testing.TB, setup Setup) *rig {
	r := &rig{t: t, start: Start{BootID: "b1", BootUp: time.Minute}, wall: noon}
	r.m = New(setup, r.start)
	r.in = Inputs{ClockSet: true, Forecast: discharging(3 * time.Hour), Seen: true, StaleAfter: 30 * time.Second, Swaps: 7}
	r.run(time.Second)
	r.did = nil
	return r
}

func (r *rig) take(effects []Effect) {
	for _, e := range effects {
		switch e := e.(type) {
		case Set:
			r.did = append(r.did, "set "+word(e.On))
		case Advise:
			r.did = append(r.did, "advise "+word(e.On))
			r.texts = append(r.texts, e.Text)
		case RunHook:
			r.did = append(r.did, "hook")
		case Warn:
			r.did = append(r.did, "warn")
		case Record:
			r.texts = append(r.texts, e.Who+": "+e.Text)
		case Save:
			data, err := json.Marshal(e.State)
			if err != nil {
				r.t.Fatal(err)
			}
			r.saved = Saved{}
			if err := json.Unmarshal(data, &r.saved); err != nil {
				r.t.Fatal(err)
			}
		}
	}
}

func (r *rig) run(d time.Duration) {
	for end := r.in.Now.Up + d; r.in.Now.Up < end; {
		r.in.Now.Up += time.Second
		r.in.Now.Wall = r.wall.Add(r.in.Now.Up)
		r.in.ReadingUp = r.in.Now.Up
		r.take(r.m.Step(r.in))
	}
}

// reboot starts a new machine after the board was off for away; or, within the
// boot, restarts the agent.
func (r *rig) reboot(away time.Duration, newBoot, clockSet bool) {
	up := r.start.BootUp + r.in.Now.Up
	r.wall = r.wall.Add(r.in.Now.Up + away)
	r.start.BootUp = up + away
	if newBoot {
		r.start = Start{BootID: r.start.BootID + "'", BootUp: 20 * time.Second}
	}
	if !clockSet {
		r.wall = time.Date(1970, 1, 1, 0, 0, 0, 0, time.UTC)
	}
	r.in.Now.Up, r.in.ClockSet = 0, clockSet
	r.m = Resume(r.m.setup, r.start, r.saved)
	r.run(time.Second)
}

func (r *rig) ask(effects []Effect, err error) {
	r.t.Helper()
	if err != nil {
		r.t.Fatal(err)
	}
	r.take(effects)
}

func (r *rig) off(d time.Duration) {
	r.t.Helper()
	r.ask(r.m.Off(r.in.Now, "uid 1000", d))
}

func (r *rig) expect(when string, want ...string) {
	r.t.Helper()
	if diff := cmp.Diff(want, r.did); diff != "" {
		r.t.Fatalf("%s: did (-want +got):\n%s", when, diff)
	}
	r.did = nil
}

func (r *rig) mode(want Mode, on bool) {
	r.t.Helper()
	if v := r.m.View(); v.Mode != want || v.On != on {
		r.t.Fatalf("mode %s, on %v; want %s, %v (%s)", v.Mode, v.On, want, on, v.Text)
	}
}
