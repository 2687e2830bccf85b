package feed

import (
	"testing"
	"time"
)

// Somebody tired reads the first words only: that it was taken, and when the feed is back.
func TestTheAnswerSaysFirstThatTheRequestWasTaken(t *testing.T) {
	advice := usual()
	advice.Switched = false
	for name, c := range map[string]struct {
		setup Setup
		ready func(r *rig)
		do    Action
		want  string
	}{
		"off": {usual(), func(*rig) {}, AskOff,
			"taken: the terminal's feed is on: off for 45 min asked for by ana; off in 1 min"},
		"on while it is on": {usual(), func(*rig) {}, AskOn,
			"taken: the terminal's feed is on: asked for by ana"},
		"on after a rest": {usual(), func(r *rig) { r.off(45 * time.Minute); r.run(10 * time.Minute) }, AskOn,
			"taken: the terminal's feed is on: asked for by ana"},
		"on just after the cut": {usual(), func(r *rig) { r.off(45 * time.Minute); r.run(63 * time.Second) }, AskOn,
			"taken: the terminal's feed comes on by itself in 7 s; it rests until then, so that the terminal starts afresh"},
		"on while it shuts down": {usual(), func(r *rig) { r.off(45 * time.Minute); r.run(20 * time.Second) }, AskOn,
			"taken: the terminal's feed comes on by itself in 50 s; before that the shutdown that has begun is brought to its end and the feed is cut"},
		"on without a switch": {advice, func(r *rig) { r.off(45 * time.Minute); r.run(63 * time.Second) }, AskOn,
			"taken; advice, no switch is fitted: switch the terminal's feed on in 7 s; it rests until then, so that the terminal starts afresh"},
	} {
		t.Run(name, func(t *testing.T) {
			r := newRig(t, c.setup)
			c.ready(r)
			_, got, err := r.m.Ask(r.in.Now, "ana", Request{Do: c.do, For: 45 * time.Minute})
			if err != nil || got != c.want {
				t.Errorf("%q, %v; want %q", got, err, c.want)
			}
		})
	}
}

// The board restarts in the shutdown before a requested off; who asks for on then must
// get it, also once the clock says how long the board was away.
func TestOnAfterARebootInTheShutdownIsKept(t *testing.T) {
	r := newRig(t, usual())
	r.off(6 * time.Hour)
	r.reboot(20*time.Second, true, false)
	r.ask(r.m.On(r.in.Now, "bob"))
	r.run(10 * time.Second)
	r.in.ClockSet = true
	r.wall = noon.Add(2 * time.Minute)
	r.run(10 * time.Minute)
	if v := r.m.View(); !v.On {
		t.Errorf("ten minutes after it was asked for: %s", v.Text)
	}
}
