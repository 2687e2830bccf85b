package agent

import (
	"math"
	"strings"
	"sync"
	"testing"
	"time"

	"candlemark/agent/journal"
	"candlemark/agent/schedule"
	"candlemark/probes"
	"candlemark/sensors"
)

// second passes a second in which the pack gives loadW.
func (r *ride) second(loadW float64, moved schedule.Bytes) []Effect {
	r.up += time.Second
	out := r.send(Read{At: r.at(), Pack: "terminal", Reading: sensors.Reading{At: epoch.Add(r.up), PackV: 20, PackA: loadW / 20, BusV: 20}})
	return append(out, r.send(Tick{At: r.at(), Day: "2031-03-01", ClockSet: true, DayLeft: 12 * time.Hour, MonthLeft: 700 * time.Hour, Moved: moved})...)
}

func lastSaved(t *testing.T, effects []Effect) (saved schedule.Saved) {
	t.Helper()
	found := false
	for _, e := range effects {
		if b, ok := e.(SaveBudget); ok {
			saved, found = b.State, true
		}
	}
	if !found {
		t.Fatal("the budget was not saved")
	}
	return saved
}

// By hand: 36 s at 4 W more are 0.04 Wh. The pack's 5 Ah at 20 V are 100 Wh.
func TestAProbesEnergyIsOnRecordAndSurvivesARestart(t *testing.T) {
	r := newRide(t, testSetup(), Memory{})
	for range 90 {
		r.second(10, schedule.Bytes{})
	}
	began := r.at()
	for range 36 {
		r.second(14, schedule.Bytes{})
	}
	out := r.send(Probed{Began: began, At: r.at(), Result: probes.Result{
		Target: "wide", Section: probes.Uplink, Kind: probes.Throughput, Bytes: 9e6, Elapsed: 36 * time.Second,
		Throughput: &probes.ThroughputStats{DownKnown: true, Down: 2e6},
	}})
	if n := count(out, func(e Record) bool {
		return e.Kind == journal.KindProbe && e.Subject == "wide" && strings.Contains(e.Text, "0.0400 Wh over idle")
	}); n != 1 {
		t.Errorf("on record %d times: %+v", n, out)
	}
	s := r.s.Snapshot()
	if e := s.Energy; math.Abs(e.TodayWh-0.04) > 1e-9 || e.Measured != 1 || !e.PacksKnown || math.Abs(e.PacksWh-100) > 1e-9 || e.Stretch != 1 {
		t.Errorf("%+v", e)
	}
	if e := s.Targets[1].Energy; e.Measured != 1 || math.Abs(e.MeanWh-0.04) > 1e-9 {
		t.Errorf("of the target: %+v", e)
	}
	saved := lastSaved(t, r.effects)
	after := newRide(t, testSetup(), Memory{Budget: &saved})
	after.second(10, schedule.Bytes{})
	s = after.s.Snapshot()
	if math.Abs(s.Energy.TodayWh-0.04) > 1e-9 || s.Data.UsedToday != 9e6 || s.Data.UsedMonth != 9e6 {
		t.Errorf("after a restart: %+v, %+v", s.Energy, s.Data)
	}
	after.up += 12 * time.Hour
	out = after.send(Tick{At: after.at(), Day: "2031-03-02", ClockSet: true})
	if n := count(out, func(e Record) bool {
		return strings.HasPrefix(e.Text, "2031-03-01: 9.0 MB used, of that probes 9.0 MB; 0.040 Wh over idle for 1 probes, 0 not measured, 0.0 % of the packs' 100 Wh")
	}); n != 1 {
		t.Errorf("the day's end is on record %d times: %+v", n, out)
	}
}

func TestForwardingCountsAgainstTheBudgetAndSurvivesARestart(t *testing.T) {
	set := testSetup()
	set.Schedule.Budget = schedule.Budget{PerDay: 1000, PerMonth: 1500, ForwardShare: 0.5}
	r := newRide(t, set, Memory{})
	r.second(10, schedule.Bytes{})
	for range 30 {
		r.second(10, schedule.Bytes{Sending: 10, CatchingUp: 5})
	}
	left := func(s State, part int) int64 { return s.Snapshot().Data.Parts[part].Left }
	if left(r.s, 1) != 50 || left(r.s, 0) != 500 || r.s.Snapshot().Data.UsedToday != 450 {
		t.Errorf("%+v", r.s.Snapshot().Data)
	}
	saved := lastSaved(t, r.effects)
	after := newRide(t, set, Memory{Budget: &saved})
	after.second(10, schedule.Bytes{})
	// What was used since the last save, 12 s at the most, is not known.
	if got := left(after.s, 1); got < 50 || got > 50+12*15 {
		t.Errorf("after a restart forwarding has %d left", got)
	}
}

func TestWhoMeasuresApartHasTheLinkAlone(t *testing.T) {
	r := newRide(t, testSetup(), Memory{})
	for range 3 {
		r.second(10, schedule.Bytes{})
	}
	answered := func(effects []Effect) (a Answer) {
		for _, e := range effects {
			if got, ok := e.(Answer); ok {
				a = got
			}
		}
		return a
	}
	started := func() int { return count(r.effects, func(StartProbe) bool { return true }) }
	if a := answered(r.send(LinkAsked{At: r.at(), Bytes: 200e6, Ticket: 1})); a.Refused != schedule.BudgetSpent {
		t.Errorf("beyond the budget: %+v", a)
	}
	before := started()
	out := r.send(LinkAsked{At: r.at(), Bytes: 20e6, Ticket: 2})
	if a := answered(out); a.Ticket != 2 || a.Refused != "" {
		t.Fatalf("%+v", a)
	}
	// The power may fail meanwhile: what may be spent is saved first, at once.
	if n := count(out, func(e SaveBudget) bool { return e.Urgent && e.State.Pending == 20e6 }); n != 1 {
		t.Errorf("saved ahead %d times", n)
	}
	for range 600 {
		r.second(10, schedule.Bytes{})
	}
	if n := started(); n != before {
		t.Errorf("%d probes during a claim", n-before)
	}
	r.send(LinkReleased{Began: r.at(), At: r.at(), Bytes: 5, Ticket: 1}) // not in force
	if a := answered(r.send(LinkAsked{At: r.at(), Ticket: 3})); a.Refused == "" {
		t.Error("two have the link")
	}
	r.send(LinkReleased{Began: r.at(), At: r.at(), Bytes: 7e6, Ticket: 2})
	r.second(10, schedule.Bytes{})
	if used := r.s.Snapshot().Data.UsedToday; started() != before+1 || used != 7e6 {
		t.Errorf("after the release: %d probes started, %d bytes used", started()-before, used)
	}
}

func TestAnOperatorMayAskForAProbe(t *testing.T) {
	r := newRide(t, testSetup(), Memory{})
	r.second(10, schedule.Bytes{})
	out := r.send(ProbeAsked{At: r.at(), Name: "wide", Who: "ana", Ticket: 9})
	if n := count(out, func(a Answer) bool { return a.Ticket == 9 && a.Refused == "" && a.Text != "" }); n != 1 {
		t.Errorf("answered %d times: %+v", n, out)
	}
	if n := count(out, func(e Record) bool { return e.Who == "ana" && e.Subject == "wide" }); n != 1 {
		t.Errorf("on record %d times", n)
	}
	out = r.second(10, schedule.Bytes{})
	if n := count(out, func(e StartProbe) bool { return e.Name == "wide" }); n != 1 {
		t.Errorf("started %d times", n)
	}
	out = r.send(ProbeAsked{At: r.at(), Name: "nobody", Ticket: 10})
	if n := count(out, func(a Answer) bool {
		return strings.HasPrefix(a.Refused, "probe nobody: no such probe; the probes are: ")
	}); n != 1 {
		t.Errorf("%+v", out)
	}
}

// Whatever moves between two steps, what Room grants stays within what was left.
func TestRoomNeverGrantsMoreThanIsLeft(t *testing.T) {
	const budget = 1_000_000
	s := schedule.New(schedule.Config{Budget: schedule.Budget{PerDay: budget, ForwardShare: 1}})
	s.Due(schedule.Inputs{Day: "2031-03-01"})
	m := &DataMeter{}
	m.settle(s.Left(schedule.Sending))
	stop := make(chan struct{})
	var sending, counting sync.WaitGroup
	sending.Go(func() { // the one who sends
		for range 20_000 {
			if m.Room(100) {
				m.Used(60, true)
				m.Used(40, false)
			}
		}
	})
	counting.Go(func() { // the loop
		for {
			select {
			case <-stop:
				return
			default:
			}
			moved := m.take()
			s.Spend(schedule.Sending, moved.Sending)
			s.Spend(schedule.CatchingUp, moved.CatchingUp)
			m.settle(s.Left(schedule.Sending))
		}
	})
	sending.Wait()
	close(stop)
	counting.Wait()
	moved := m.take()
	day, _ := s.Used()
	if got := day.Total() + moved.Total(); got != budget {
		t.Errorf("used %d of %d", got, budget)
	}
}
