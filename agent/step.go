package agent

import (
	"fmt"
	"time"

	"candlemark/agent/alarm"
	"candlemark/agent/journal"
	"candlemark/agent/pack"
	"candlemark/probes"
)

// saveEvery is how often the estimates go to the journal. The journal gathers
// writes for 45 s more, so a power cut loses less than a minute.
const saveEvery = 12 * time.Second

// powerOffAgain is when a board that is still up is told to power off once more:
// the command may have been refused.
const powerOffAgain = 2 * time.Minute

// retellEvery spaces the announcements that only bring newer words for alarms
// that are active already, so that a reminder does not tell yesterday's minutes.
const retellEvery = 20 * time.Second

// Step takes one event and returns the next state and what is to be done. It is
// pure: no clock, no I/O, no goroutine, and the same events give the same effects.
func Step(s State, e Event) (State, []Effect) {
	// Producers stamp their events themselves, so one may arrive that is a
	// little older than the last: the agent's present never moves back.
	if at := e.When(); at.Up >= s.now.Up {
		s.now = at
	}
	var out []Effect
	switch e := e.(type) {
	case Read:
		out = s.read(e)
	case ReadFailed:
		if t := s.pack(e.Pack); t != nil {
			out = s.sensorFailed(t, e)
		}
	case Probed:
		out = s.probed(e)
	case Tick:
		out = s.tick(e)
	case SwapDeclared:
		out = s.swapDeclared(e)
	case Noted:
		out = []Effect{Record{At: e.At, Kind: journal.KindNote, Who: e.Who, Text: e.Text, Urgent: true}}
	case AckAsked:
		out = s.acknowledged(e)
	case FeedAsked, FeedHookEnded, FeedSwitched:
		out = s.feedEvent(e)
	case ProbeAsked, LinkAsked, LinkReleased:
		out = s.linkEvent(e)
	}
	out = append(out, s.stepFeed()...) // before the alarms, one of which tells of it
	return s, append(out, s.decide()...)
}

// sensorTellEvery spaces the words about one sensor that fails: one that comes
// and goes, or gives another reason each time, must not fill log and record.
const sensorTellEvery = 5 * time.Minute

// sensorFailed keeps why a sensor could not be read, and tells it.
func (s *State) sensorFailed(t *packTrack, e ReadFailed) []Effect {
	news := !t.failing || t.lastError != e.Err
	t.counts, t.lastError, t.failing = e.Counts, e.Err, true
	if !news || t.failToldOnce && e.At.Up-t.failToldUp < sensorTellEvery {
		return nil
	}
	t.failTold, t.failToldOnce, t.failToldUp = true, true, e.At.Up
	return []Effect{Record{At: e.At, Kind: journal.KindSensor, Subject: t.Name, Text: "not read: " + e.Err, Warn: true}}
}

// sensorBack ends a failure that was told.
func (s *State) sensorBack(t *packTrack, at alarm.Instant) []Effect {
	told := t.failing && t.failTold
	t.failing, t.failTold = false, false
	if !told {
		return nil
	}
	return []Effect{Record{At: at, Kind: journal.KindSensor, Subject: t.Name, Text: "read again"}}
}

// read takes a reading into the estimate of its pack.
func (s *State) read(e Read) []Effect {
	t := s.pack(e.Pack)
	if t == nil {
		return nil
	}
	t.counts = e.Counts
	r := e.Reading
	if t.frozen.take(r, e.At.Up) {
		return s.stood(t, e.At)
	}
	packA := t.unclip.take(r)
	if t.UnmeasuredW > 0 && r.PackV > 0 {
		packA += t.UnmeasuredW / r.PackV
	}
	sample := pack.Sample{
		T: e.At.Up + t.shift, PackV: r.PackV, PackA: packA,
		TempC: r.TempC, TempKnown: r.TempKnown, Clipped: r.Clipped,
	}
	if err := t.est.Update(sample); err != nil {
		t.lastError = err.Error()
		return nil
	}
	s.meter.Read(t.Name, e.At.Up, packA*r.PackV, packA >= 0 && !r.Clipped)
	// A gap in the readings is not counted: nobody knows what flowed in it.
	if dt := e.At.Up - t.readingUp; t.seen && packA > 0 && dt > 0 && dt <= t.StaleAfter {
		t.coulombs += packA * dt.Seconds()
		t.joules += packA * r.PackV * dt.Seconds()
	}
	t.handled.take(r, t.reading, t.seen, e.At.Up-t.readingUp, t.StaleAfter, e.At.Up)
	t.reading, t.readingUp, t.seen, t.lastError = r, e.At.Up, true, ""

	out := s.sensorBack(t, e.At)
	if is, why := t.est.SwapSuspected(); is {
		out = append(out, s.swap(t, e.At, "", "recognised: "+why)...)
		if err := t.est.Update(sample); err != nil {
			t.lastError = err.Error()
		}
	}
	if t.hasFc && e.At.Up-t.forecastUp < s.setup.ForecastEvery {
		return out
	}
	before := t.forecast
	t.forecast, t.forecastUp, t.hasFc = prudent(t.est.Forecast()), e.At.Up, true
	return append(out, s.changed(t, before)...)
}

// changed acts on what a new forecast says beside the alarms: a discharge that
// ended is learned, and the board is shut down before the pack that feeds it is flat.
func (s *State) changed(t *packTrack, before pack.Forecast) []Effect {
	var out []Effect
	now := t.forecast
	ended := before.State == pack.Discharging && (now.State == pack.Charging || now.State == pack.Absent)
	if flat := atCutoff(now) && !atCutoff(before); flat || ended {
		out = append(out, s.learn(t)...)
	}
	if now.State != before.State && before.State != "" && before.State != pack.Unknown {
		out = append(out, Record{At: s.now, Kind: journal.KindPack, Subject: t.Name,
			Text: fmt.Sprintf("%s, was %s", now.State, before.State)})
	}
	if now.State == pack.Charging {
		t.offAsked = false
	}
	low := now.State == pack.Discharging && now.Known && now.Expected <= s.setup.PowerOffAt
	if !low || !t.low {
		t.low, t.lowUp = low, s.now.Up
	}
	// Not for a dip of a reading or two: nothing switches the board on again.
	if t.FeedsBoard && s.setup.PowerOffAt > 0 && (!t.offAsked || s.now.Up-t.offUp >= powerOffAgain) &&
		low && s.now.Up-t.lowUp >= lowHold {
		t.offAsked, t.offUp = true, s.now.Up
		why := fmt.Sprintf("pack %s feeds this board and has %s left", t.Name, now.Expected.Round(time.Second))
		out = append(out, s.learn(t)...)
		out = append(out, s.save()...)
		out = append(out,
			Record{At: s.now, Kind: journal.KindOff, Subject: t.Name, Text: why, Urgent: true},
			PowerOff{Why: why})
	}
	return out
}

// lowHold is how long a pack must be low before the board it feeds is switched off.
const lowHold = 10 * time.Second

func atCutoff(f pack.Forecast) bool {
	return f.Known && f.State == pack.Discharging && f.Expected == 0
}

// learn keeps what the discharge taught about the pack.
func (s *State) learn(t *packTrack) []Effect {
	prof, ok := t.est.Learned()
	if !ok {
		return nil
	}
	id := identity(t)
	s.known[id] = KnownPack{Spec: t.Spec, Profile: prof}
	s.judge()
	return []Effect{
		SaveProfile{Identity: id, Known: s.known[id]},
		Record{At: s.now, Kind: journal.KindLearned, Subject: t.Name, Text: "profile of " + id + " updated from this discharge"},
	}
}

// save hands every estimate to the journal.
func (s *State) save() []Effect {
	s.savedUp = s.now.Up
	var out []Effect
	if s.spent {
		s.spent = false
		out = append(out, SaveBudget{State: s.schedule.Save()})
	}
	for _, t := range s.packs {
		if t.seen {
			out = append(out, s.savePack(t))
		}
	}
	if len(s.alarms.Active()) > 0 { // so that after a restart they are as old as they are
		out = append(out, SaveAlarms{State: s.alarms.Save()})
	}
	return append(out, s.saveFeed()...)
}

func (s *State) savePack(t *packTrack) SavePack {
	return SavePack{Pack: t.Name, State: PackState{
		Mark: t.mark, Estimate: t.est.Save(), Saved: s.now.Wall, ClockSet: s.clockSet, Swaps: t.swaps, Line: s.now.Up + t.shift,
	}}
}

// decide lets the alarms look at the present.
func (s *State) decide() []Effect {
	in := alarm.Inputs{Now: s.now, ClockSet: s.clockSet, Trouble: s.trouble.sentence()}
	for _, t := range s.packs {
		in.Packs = append(in.Packs, alarm.PackInput{
			Name: t.Name, Leads: t.Leads, Forecast: t.forecast, Clipped: t.seen && t.reading.Clipped,
			ReadingUp: t.readingUp, Seen: t.seen, StaleAfter: t.StaleAfter, Swaps: t.swaps,
		})
	}
	for _, t := range s.targets {
		if t.Kind == probes.Latency {
			in.Targets = append(in.Targets, alarm.TargetInput{Name: t.Name, Section: t.Section, Probes: t.told, Answer: t.answered})
		}
	}
	in.Feed = s.feedInput()
	changes, quietEnded := s.alarms.Step(in), s.alarms.Unquieted()
	active := s.alarms.Active()
	newWords := len(active) > 0 && s.now.Up-s.toldUp >= retellEvery
	if len(changes) == 0 && len(quietEnded) == 0 && s.announced && !newWords {
		return nil
	}
	s.announced, s.toldUp = true, s.now.Up
	var out []Effect
	// Saved before it is announced: what receivers commit for themselves then
	// takes this along, and no message outlives the alarm it is about.
	if len(changes)+len(quietEnded) > 0 {
		out = append(out, SaveAlarms{State: s.alarms.Save()})
	}
	for _, c := range changes {
		verb := "cleared: "
		if c.Raised {
			verb = "raised: "
		}
		out = append(out, s.alarmRecord(c.Alarm, "", verb+c.Because))
	}
	for _, q := range quietEnded {
		out = append(out, s.alarmRecord(q.Alarm, "", "no longer quiet: "+q.Because))
	}
	return append(out, Announce{Changes: changes, Active: active})
}
