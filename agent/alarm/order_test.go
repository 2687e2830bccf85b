package alarm

import (
	"testing"
	"time"
)

// An order stands first with its time of day; statistics are the title's.
func TestAnOrderSaysByWhenAndWhatHelpsWhileTheTerminalIsOff(t *testing.T) {
	r := newRig()
	find := func(n Name) Active {
		t.Helper()
		for _, a := range r.m.Active() {
			if a.Name == n {
				return a
			}
		}
		t.Fatalf("%s is not active", n)
		return Active{}
	}
	says := func(n Name, want, by string) {
		t.Helper()
		if a := find(n); a.Action != want || a.By != by {
			t.Errorf("%q by %q, want %q by %q", a.Action, a.By, want, by)
		}
	}
	at := func(in time.Duration) string { return r.in.Now.Wall.Add(in).Format("15:04 MST") }
	r.pack().Forecast = discharging(14 * time.Minute)
	r.read(11 * time.Second)
	by := "have it off by " + at(14*time.Minute) + " (14 min). A swap before then makes this unnecessary"
	says(ShutTerminalDown, "shut the terminal down now: "+by+". Tell the people who use the link, power the terminal off in order, then swap the pack", by)
	if a := find(BringNextPack); a.Action != "bring the next pack to the relay now: be ready to swap at once. Check that it is charged" {
		t.Errorf("14 min left and 15 to shut down: %q", a.Action)
	}

	r.in.Feed = &FeedInput{Pack: "A", ReturnIn: 33 * time.Minute, ReturnKnown: true}
	r.pack().Forecast = discharging(2 * time.Hour) // the load is gone
	r.read(time.Second)
	says(ShutTerminalDown, "swap the pack before "+at(33*time.Minute)+" (33 min), or lengthen the off: the terminal is off until then, and its load would be back on this pack", "")

	r.in.Feed.ReturnKnown = false // shed: it does not return by itself
	r.read(time.Second)
	says(ShutTerminalDown, "swap the pack before "+at(2*time.Hour)+" (2 h 00 min): the terminal is off already, and at the present load the pack may be flat then", "")

	r.in.Feed, r.in.ClockSet = nil, false
	r.pack().Forecast = discharging(14 * time.Minute)
	r.read(time.Second)
	if a := find(ShutTerminalDown); a.By != "have it off within 14 min. A swap before then makes this unnecessary" {
		t.Errorf("without a clock: %q", a.By)
	}
}
