package agent

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/rs/zerolog"

	"candlemark/agent/alarm"
	"candlemark/agent/feed"
	"candlemark/agent/journal"
	"candlemark/probes"
)

func feedSetup(switched bool) Setup {
	set := testSetup()
	set.PowerOffAt = 0
	set.Feed = &FeedSetup{Pack: "terminal", Start: feed.Start{BootID: "k1", BootUp: time.Minute},
		Setup: feed.Setup{Switched: switched, Hook: true, TerminalW: 45, Reserve: 20 * time.Minute, WarnFor: 2 * time.Minute,
			CloseFor: time.Minute, StartUp: 3 * time.Minute, LongestOff: 12 * time.Hour}}
	return set
}

// feedDid is what was done about the feed, in order, one word each.
func feedDid(effects []Effect) []string {
	var did []string
	for _, e := range effects {
		switch e := e.(type) {
		case SwitchFeed:
			did = append(did, fmt.Sprintf("switch %v", e.On))
		case RunFeedHook:
			did = append(did, "hook "+e.Name)
		case Record:
			if e.Kind == journal.KindFeed && e.Warn {
				did = append(did, "warn")
			}
		}
	}
	return did
}

func (r *ride) wantFeed(when string, want ...string) {
	r.t.Helper()
	if got := feedDid(r.effects); !slices.Equal(got, want) {
		r.t.Errorf("%s: %q, want %q", when, got, want)
	}
	r.effects = nil
}

func (r *ride) askFeed(q feed.Request) Answer {
	r.t.Helper()
	for _, e := range r.send(FeedAsked{At: r.at(), Who: "mara", Request: q, Ticket: 7}) {
		if a, ok := e.(Answer); ok {
			return a
		}
	}
	r.t.Fatalf("no answer to %+v", q)
	return Answer{}
}

func TestTheFeedIsShedInOrderAndReturnsOnASwap(t *testing.T) {
	r := newRide(t, feedSetup(true), Memory{})
	d := &drain{capacityAh: 5}
	r.discharge(d, 45, time.Minute)
	r.wantFeed("at the start", "switch true")
	for r.s.Snapshot().Feed.On && r.up < 4*time.Hour {
		r.discharge(d, 45, 10*time.Second)
	}
	var saved *feed.Saved
	for _, e := range r.effects {
		switch e := e.(type) {
		case SaveFeed:
			saved = &e.State
		case SwitchFeed:
			if saved == nil || saved.On {
				t.Errorf("the cut is made before it is saved: %+v", saved)
			}
		}
	}
	r.wantFeed("at the reserve", "warn", "hook "+feed.HookShutdown, "switch false")
	if v := r.s.Snapshot().Feed; v.Mode != feed.ModeShed || v.Pack != "terminal" {
		t.Errorf("the feed is %+v, want it shed", v)
	}
	// Voltage recovers without the load; the feed must not.
	r.discharge(d, 2, 20*time.Minute)
	r.wantFeed("on recovery")
	r.send(SwapDeclared{At: r.at(), Pack: "terminal", Mark: "B2", Who: "mara"})
	r.discharge(&drain{capacityAh: 5}, 2, time.Minute)
	r.wantFeed("on a swap", "switch true")
}

func TestOffReturnsByItself(t *testing.T) {
	r := newRide(t, feedSetup(true), Memory{})
	d := &drain{capacityAh: 5}
	r.discharge(d, 45, time.Minute)
	r.wantFeed("at the start", "switch true")
	if a := r.askFeed(feed.Request{Do: feed.AskOff}); !strings.Contains(a.Refused, "needs a return time") || a.Ticket != 7 {
		t.Errorf("off without a time was answered %+v", a)
	}
	r.wantFeed("after a refusal")
	if a := r.askFeed(feed.Request{Do: feed.AskOff, For: 45 * time.Minute}); a.Refused != "" || !strings.Contains(a.Text, "asked for by mara") {
		t.Errorf("off was answered %+v", a)
	}
	asked := r.up
	r.discharge(d, 45, 2*time.Minute)
	r.wantFeed("off", "hook "+feed.HookShutdown, "switch false")
	for !r.s.Snapshot().Feed.On && r.up < 2*time.Hour {
		r.discharge(d, 2, 10*time.Second)
	}
	r.wantFeed("its return", "switch true")
	if off := r.up - asked; off < 45*time.Minute || off > 45*time.Minute+20*time.Second {
		t.Errorf("it returned after %s, want 45 min", off)
	}
}

func TestWithoutASwitchTheFeedIsOnlyAdvised(t *testing.T) {
	r := newRide(t, feedSetup(false), Memory{})
	d := &drain{capacityAh: 5}
	for (r.up == 0 || r.s.Snapshot().Feed.On) && r.up < 4*time.Hour {
		r.discharge(d, 45, 10*time.Second)
	}
	// The warning, and the advice in place of the cut.
	r.wantFeed("at the reserve", "warn", "hook "+feed.HookShutdown, "warn")
}

func TestARestartInMidOffKeepsTheReturnTime(t *testing.T) {
	r := newRide(t, feedSetup(true), Memory{})
	d := &drain{capacityAh: 5}
	r.discharge(d, 45, time.Minute)
	r.askFeed(feed.Request{Do: feed.AskOff, For: 45 * time.Minute})
	asked := r.up
	r.discharge(d, 2, 10*time.Minute)
	// What the journal holds is all that the next run knows.
	mem := Memory{Packs: map[string]PackState{}}
	for _, e := range r.effects {
		switch e := e.(type) {
		case SavePack:
			mem.Packs[e.Pack] = e.State
		case SaveFeed:
			text, err := json.Marshal(e.State)
			if err != nil {
				t.Fatal(err)
			}
			mem.Feed = new(feed.Saved)
			if err := json.Unmarshal(text, mem.Feed); err != nil {
				t.Fatal(err)
			}
		}
	}
	set := feedSetup(true)
	gone := r.up + 5*time.Minute
	set.Feed.Start.BootUp += gone
	s, err := NewState(set, mem, alarm.Instant{Wall: epoch.Add(gone)}, true)
	if err != nil {
		t.Fatal(err)
	}
	r.s, r.up, r.effects = s, 0, s.saveFeed()
	if len(r.effects) > 0 {
		t.Errorf("before its first step the feed was saved: %v", r.effects)
	}
	r.discharge(d, 2, 20*time.Second)
	r.wantFeed("after the restart", "switch false")
	for !r.s.Snapshot().Feed.On && r.up < 2*time.Hour {
		r.discharge(d, 2, 10*time.Second)
	}
	r.wantFeed("its return", "switch true")
	if off := gone + r.up - asked; off < 45*time.Minute || off > 45*time.Minute+20*time.Second {
		t.Errorf("it returned after %s, want 45 min", off)
	}
}

func TestARequestIsTakenBeforeTheFirstReading(t *testing.T) {
	r := newRide(t, feedSetup(true), Memory{})
	if a := r.askFeed(feed.Request{Do: feed.AskOff, For: 45 * time.Minute}); a.Refused != "" {
		t.Errorf("answered %+v", a)
	}
	r.wantFeed("at once", "switch true", "hook "+feed.HookShutdown)
}

func TestWithoutAFeedARequestIsRefused(t *testing.T) {
	r := newRide(t, testSetup(), Memory{})
	if a := r.askFeed(feed.Request{Do: feed.AskOn}); a.Refused != noFeed {
		t.Errorf("answered %+v", a)
	}
}

// ears stand for everything the agent's effects go to.
type ears struct{ did []string }

func (*ears) PutPackState(string, any) error         { return nil }
func (*ears) PutProfile(string, any) error           { return nil }
func (*ears) PutState(string, any) error             { return nil }
func (*ears) Append(r journal.Record) journal.Record { return r }
func (*ears) Hurry()                                 {}
func (*ears) Publish([]alarm.Change, []alarm.Active) {}
func (e *ears) Want(on bool)                         { e.did = append(e.did, fmt.Sprintf("want %v", on)) }
func (e *ears) Hook(name string, _ feed.Cause)       { e.did = append(e.did, "hook "+name) }

func TestARequestAboutTheFeedIsAnsweredAndCarriedOut(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		e := &ears{}
		set := feedSetup(true)
		set.Targets, set.Schedule.Items = nil, nil
		a, err := New(Parts{Setup: set, Keeper: e, Receivers: e, Actuator: e, Log: zerolog.Nop(), ClockSet: func() bool { return true }, Speed: 1})
		if err != nil {
			t.Fatal(err)
		}
		ctx, stop := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() { ended <- a.Run(ctx) }()
		time.Sleep(3 * time.Second)
		text, err := a.Feed(ctx, feed.Request{Do: feed.AskOff, For: 30 * time.Minute}, "mara")
		if err != nil || !strings.Contains(text, "asked for by mara") {
			t.Errorf("answered %q, %v", text, err)
		}
		if _, err := a.Feed(ctx, feed.Request{Do: feed.AskOff, For: 48 * time.Hour}, "mara"); !errors.As(err, new(*feed.Refused)) {
			t.Errorf("two days off: %v, want a refusal", err)
		}
		time.Sleep(31 * time.Minute)
		stop()
		if err := <-ended; err != nil {
			t.Error(err)
		}
		a.FeedSwitched("too late") // must not wait for an agent that has ended
		if want := []string{"want true", "hook " + feed.HookShutdown, "want false", "want true"}; !slices.Equal(e.did, want) {
			t.Errorf("did %q, want %q", e.did, want)
		}
	})
}

// What the agent switches off itself is no outage, and no fault of the link.
func TestASwitchedOffTerminalIsNoOutage(t *testing.T) {
	set := feedSetup(true)
	set.Targets = append(set.Targets, TargetSetup{Name: "far", Section: probes.Uplink, Kind: probes.Latency})
	r := newRide(t, set, Memory{})
	d := &drain{capacityAh: 5}
	silence := func() {
		for range 4 {
			r.discharge(d, 2, 30*time.Second)
			probedNow(r, probes.Result{Target: "far", Section: probes.Uplink, Kind: probes.Latency, Latency: &probes.LatencyStats{Sent: 10, Lost: 10}})
		}
	}
	down := func() bool { return strings.Contains(strings.Join(r.active(), " "), string(alarm.LinkDown)) }
	r.discharge(d, 2, time.Minute)
	r.askFeed(feed.Request{Do: feed.AskOff, For: 10 * time.Minute})
	r.discharge(d, 2, 2*time.Minute)
	silence()
	if down() {
		t.Error("the link was called down while the terminal is switched off")
	}
	r.discharge(d, 2, 7*time.Minute) // it is on again, and past its start
	silence()
	if !down() {
		t.Error("the link was not called down although the terminal has power")
	}
}
