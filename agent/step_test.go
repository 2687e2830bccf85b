package agent

import (
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"candlemark/agent/alarm"
	"candlemark/agent/journal"
	"candlemark/agent/pack"
	"candlemark/agent/schedule"
	"candlemark/probes"
	"candlemark/sensors"
)

// drain is a crude pack for driving the step: a straight line from full to flat
// with a knee, and a series resistance. It is not how the estimator sees a pack.
type drain struct {
	capacityAh, usedAh float64
}

func (d *drain) volts(loadA float64) float64 {
	z := 1 - d.usedAh/d.capacityAh
	return 16.2 + 4.4*z - 1.6*math.Exp(-z/0.04) - 0.12*loadA
}

// ride drives a state with events and collects the effects.
type ride struct {
	t       *testing.T
	s       State
	up      time.Duration
	effects []Effect
}

var epoch = time.Date(2031, 3, 1, 12, 0, 0, 0, time.UTC)

func (r *ride) at() alarm.Instant { return alarm.Instant{Up: r.up, Wall: epoch.Add(r.up)} }

func (r *ride) send(e Event) []Effect {
	var out []Effect
	r.s, out = Step(r.s, e)
	r.effects = append(r.effects, out...)
	return out
}

// discharge runs d at loadW for length, a reading every ten seconds and a tick between.
func (r *ride) discharge(d *drain, loadW float64, length time.Duration) {
	for end := r.up + length; r.up < end; r.up += 10 * time.Second {
		v := d.volts(3)
		a := loadW / v
		v = d.volts(a)
		a = loadW / v
		r.send(Read{At: r.at(), Pack: "terminal", Reading: sensors.Reading{At: epoch.Add(r.up), PackV: v, PackA: a, BusV: v}})
		r.send(Tick{At: r.at(), Day: "2031-03-01", ClockSet: true})
		d.usedAh += a * 10.0 / 3600
	}
}

func (r *ride) active() []string {
	var names []string
	for _, a := range r.s.Snapshot().Alarms {
		names = append(names, string(a.Name))
	}
	return names
}

func testSetup() Setup {
	return Setup{
		Relay: "annex", Site: "mill", BootID: "b1", ForecastEvery: 30 * time.Second, PowerOffAt: 3 * time.Minute,
		Packs: []PackSetup{{
			Name: "terminal", SensorName: "ina219 i2c-1/0x40", StaleAfter: 30 * time.Second, FeedsBoard: true,
			Spec:  pack.Spec{Chemistry: pack.LiIon, SeriesCells: 5, CapacityAh: 5, CutoffV: 15},
			Leads: alarm.Leads{NextPack: 45 * time.Minute, ShutDown: 15 * time.Minute},
		}},
		Targets: []TargetSetup{{Name: "far", Section: probes.Uplink, Kind: probes.Latency}, {Name: "wide", Section: probes.Uplink, Kind: probes.Throughput}},
		Schedule: schedule.Config{Budget: schedule.Budget{PerDay: 100e6}, ReserveBelow: time.Hour, Items: []schedule.Item{
			{Name: "far", Kind: probes.Latency, Every: 30 * time.Second},
			{Name: "wide", Kind: probes.Throughput, Every: time.Hour, MaxBytes: 10e6},
		}},
	}
}

func newRide(t *testing.T, set Setup, mem Memory) *ride {
	t.Helper()
	s, err := NewState(set, mem, alarm.Instant{Wall: epoch}, true)
	if err != nil {
		t.Fatal(err)
	}
	return &ride{t: t, s: s}
}

func count[E Effect](effects []Effect, ok func(E) bool) int {
	n := 0
	for _, e := range effects {
		if e, is := e.(E); is && ok(e) {
			n++
		}
	}
	return n
}

// raisedAt is when an alarm was first raised; ok is false when it never was.
func raisedAt(effects []Effect, name alarm.Name) (time.Duration, bool) {
	for _, e := range effects {
		if a, is := e.(Announce); is {
			for _, c := range a.Changes {
				if c.Raised && c.Alarm.Name == name {
					return c.At.Up, true
				}
			}
		}
	}
	return 0, false
}

func TestWholeDischargeWarnsInOrderAndShutsTheBoardDownBeforeTheEnd(t *testing.T) {
	r := newRide(t, testSetup(), Memory{})
	d := &drain{capacityAh: 4.6}
	for z := 1.0; z > 0.001 && d.volts(3) > 15; z = 1 - d.usedAh/d.capacityAh {
		r.discharge(d, 50, time.Minute)
	}
	end := r.up
	next, ok1 := raisedAt(r.effects, alarm.BringNextPack)
	shut, ok2 := raisedAt(r.effects, alarm.ShutTerminalDown)
	if !ok1 || !ok2 || next >= shut {
		t.Fatalf("bring_next_pack at %s (%v), shut_terminal_down at %s (%v), end at %s", next, ok1, shut, ok2, end)
	}
	if left := end - shut; left < 15*time.Minute {
		t.Errorf("shut_terminal_down came %s before the end, want 15 min or more", left)
	}
	var off []Effect
	for i, e := range r.effects {
		if _, is := e.(PowerOff); is && off == nil {
			off = r.effects[:i]
		}
	}
	if off == nil {
		t.Fatal("the board was not shut down although its pack ran flat")
	}
	if n := count(off, func(e Record) bool { return e.Kind == "board_off" && e.Urgent }); n != 1 {
		t.Errorf("%d urgent records before the power-off, want 1", n)
	}
	// Asked again every two minutes while the board is still up: here it never goes.
	if n := count(r.effects, func(PowerOff) bool { return true }); n < 1 || n > 3 {
		t.Errorf("asked for the power-off %d times in the last three minutes", n)
	}
	if n := count(r.effects, func(e SaveProfile) bool { return e.Identity == Unmarked("terminal") }); n == 0 {
		t.Error("the discharge was not learned")
	}
}

func TestDeclaredSwapClearsTheWarningsAndTakesTheMarkedPacksProfile(t *testing.T) {
	set := testSetup()
	r := newRide(t, set, Memory{})
	d := &drain{capacityAh: 4.6, usedAh: 4.2}
	r.discharge(d, 50, 5*time.Minute)
	if got := strings.Join(r.active(), " "); !strings.Contains(got, "shut_terminal_down") {
		t.Fatalf("alarms near the end: %q", got)
	}
	out := r.send(SwapDeclared{At: r.at(), Pack: "terminal", Mark: "B3", Who: "op"})
	if got := r.active(); len(got) != 0 {
		t.Errorf("still active after the swap: %v", got)
	}
	if n := count(out, func(e Record) bool {
		return e.Kind == journal.KindSwap && e.Urgent && strings.Contains(e.Text, "B3")
	}); n != 1 {
		t.Errorf("the swap is on record %d times, want once, urgent, with its mark", n)
	}
	saved := SavePack{}
	for _, e := range out {
		if s, ok := e.(SavePack); ok {
			saved = s
		}
	}
	if saved.State.Mark != "B3" || saved.State.Swaps != 1 {
		t.Errorf("saved as mark %q, swaps %d", saved.State.Mark, saved.State.Swaps)
	}
}

func TestRestartInMidDischargeCarriesOn(t *testing.T) {
	d := &drain{capacityAh: 4.6}
	before := newRide(t, testSetup(), Memory{})
	before.discharge(d, 50, 50*time.Minute)
	var saved PackState
	var alarms *alarm.Saved
	for _, e := range before.effects {
		switch e := e.(type) {
		case SavePack:
			saved = e.State
		case SaveAlarms:
			alarms = &e.State
		}
	}
	if want := before.up; want-saved.Line > time.Minute {
		t.Fatalf("the last save is %s old, want under a minute", want-saved.Line)
	}
	was := before.s.Snapshot().Packs[0].Forecast

	set := testSetup()
	set.BootID = "b2"
	s, err := NewState(set, Memory{Packs: map[string]PackState{"terminal": saved}, Alarms: alarms}, alarm.Instant{Wall: epoch.Add(before.up + time.Minute)}, true)
	if err != nil {
		t.Fatal(err)
	}
	after := &ride{t: t, s: s}
	after.discharge(d, 50, 2*time.Minute)
	now := after.s.Snapshot().Packs[0].Forecast
	if !was.Known || !now.Known {
		t.Fatalf("known before %v, after %v (%s %s)", was.Known, now.Known, now.Why, after.s.Snapshot().Packs[0].LastError)
	}
	// Two minutes on, the answer must be one the first agent would still have called likely.
	if e := now.Expected + 2*time.Minute; e < was.Low || e > was.High {
		t.Errorf("after the restart %s left, before it %s (%s to %s)", now.Expected, was.Expected, was.Low, was.High)
	}
	if got, want := strings.Join(after.active(), " "), strings.Join(before.active(), " "); got != want {
		t.Errorf("alarms after the restart %q, before it %q", got, want)
	}
}

func TestSameEventsGiveTheSameEffects(t *testing.T) {
	run := func() []Effect {
		r := newRide(t, testSetup(), Memory{})
		r.discharge(&drain{capacityAh: 4.6, usedAh: 3.5}, 50, 10*time.Minute)
		return r.effects
	}
	text := func(e []Effect) string {
		var b strings.Builder
		for _, x := range e {
			switch x := x.(type) {
			case Record:
				b.WriteString(x.Text + "\n")
			case StartProbe:
				b.WriteString("probe " + x.Name + "\n")
			}
		}
		return b.String()
	}
	if diff := cmp.Diff(text(run()), text(run())); diff != "" {
		t.Errorf("two runs differ:\n%s", diff)
	}
}

func TestReadingsThatCannotBeTrueChangeNothing(t *testing.T) {
	r := newRide(t, testSetup(), Memory{})
	d := &drain{capacityAh: 4.6}
	r.discharge(d, 50, 10*time.Minute)
	before := r.s.Snapshot().Packs[0]
	for _, bad := range []sensors.Reading{
		{PackV: math.NaN(), PackA: 2}, {PackV: 18, PackA: math.Inf(1)},
	} {
		r.send(Read{At: r.at(), Pack: "terminal", Reading: bad})
	}
	after := r.s.Snapshot().Packs[0]
	if after.LastError == "" {
		t.Error("no complaint about a reading that is not a number")
	}
	if after.DischargedC != before.DischargedC || after.Reading != before.Reading {
		t.Errorf("a reading that is not a number was counted: %+v", after.Reading)
	}
	r.send(Read{At: r.at(), Pack: "nobody's", Reading: sensors.Reading{PackV: 12}})
}

func TestSensorThatFailsIsToldOnceWithItsReasonAndOnceWhenItIsBack(t *testing.T) {
	r := newRide(t, testSetup(), Memory{})
	fail := func(why string) []Effect {
		r.up += time.Second
		return r.send(ReadFailed{At: r.at(), Pack: "terminal", Err: why})
	}
	told := func(effects []Effect) (text string) {
		for _, e := range effects {
			if rec, ok := e.(Record); ok && rec.Kind == "sensor" {
				text += rec.Text
			}
		}
		return text
	}
	good := func() []Effect {
		r.up += time.Second
		return r.send(Read{At: r.at(), Pack: "terminal", Reading: sensors.Reading{PackV: 19, PackA: 2}})
	}
	if got := told(good()); got != "" {
		t.Errorf("a reading after nothing said %q", got)
	}
	if got := told(fail("no acknowledge")); got != "not read: no acknowledge" {
		t.Errorf("the first failure said %q", got)
	}
	if got := told(fail("no acknowledge")) + told(fail("nonsense")); got != "" {
		t.Errorf("failures within seconds said %q more", got)
	}
	if got := told(good()) + told(good()); got != "read again" {
		t.Errorf("the return said %q", got)
	}
	if got := told(fail("no acknowledge")) + told(good()); got != "" {
		t.Errorf("a second failure within minutes said %q", got)
	}
	r.up += sensorTellEvery
	if got := told(fail("no acknowledge")); got == "" {
		t.Error("a failure much later was not told")
	}
	r.up += sensorTellEvery
	if got := told(fail("no acknowledge")); got != "" {
		t.Errorf("the same failure was told again: %q", got)
	}
}

func TestUnmeasuredBoardLoadIsCounted(t *testing.T) {
	with, without := testSetup(), testSetup()
	with.Packs[0].UnmeasuredW = 5
	counted := func(s Setup) float64 {
		r := newRide(t, s, Memory{})
		r.discharge(&drain{capacityAh: 4.6}, 50, 10*time.Minute)
		return r.s.Snapshot().Packs[0].DischargedJ
	}
	// 5 W for 10 min less one 10 s interval, since the first reading has none before it.
	if got, want := counted(with)-counted(without), 5.0*590; math.Abs(got-want) > 1 {
		t.Errorf("the board's own draw counted as %.0f J, want %.0f J", got, want)
	}
}

func TestThroughputIsHeldBackBelowTheReserve(t *testing.T) {
	r := newRide(t, testSetup(), Memory{})
	r.discharge(&drain{capacityAh: 4.6, usedAh: 3.6}, 50, 20*time.Minute)
	if n := count(r.effects, func(e StartProbe) bool { return e.Kind == probes.Throughput }); n > 1 {
		t.Errorf("%d throughput probes with little time left", n)
	}
	if got := r.s.Snapshot().Targets[1].NotRun; !strings.Contains(got, "pack below reserve") {
		t.Errorf("not run because %q", got)
	}
}

func TestDeadSensorLeavesNoTimeOnTheClock(t *testing.T) {
	r := newRide(t, testSetup(), Memory{})
	r.discharge(&drain{capacityAh: 4.6}, 50, 10*time.Minute)
	if f := r.s.Snapshot().Packs[0].Forecast; !f.Known {
		t.Fatalf("no forecast while readings come: %s", f.Why)
	}
	r.up += 3 * time.Hour
	r.send(Tick{At: r.at(), Day: "2031-03-01", ClockSet: true})
	p := r.s.Snapshot().Packs[0]
	if !p.Stale || p.Forecast.Known || p.Forecast.State != pack.Unknown || !strings.Contains(p.Forecast.Why, "no reading for 3h") {
		t.Errorf("three hours without a reading: stale %v, forecast %+v", p.Stale, p.Forecast)
	}
}

func TestReceiversHearNewerWordsOfAnAlarmThatStands(t *testing.T) {
	r := newRide(t, testSetup(), Memory{})
	d := &drain{capacityAh: 4.6, usedAh: 3.4}
	r.discharge(d, 50, 5*time.Minute)
	titles := map[string]bool{}
	r.effects = nil
	r.discharge(d, 50, 10*time.Minute)
	for _, e := range r.effects {
		if a, ok := e.(Announce); ok && len(a.Changes) == 0 {
			for _, x := range a.Active {
				titles[x.Title] = true
			}
		}
	}
	if len(titles) < 3 {
		t.Errorf("in ten minutes the receivers heard %d wordings of what is active: %v", len(titles), titles)
	}
}
