package metrics

import (
	"time"

	"candlemark/agent/alarm"
	"candlemark/agent/feed"
	"candlemark/agent/pack"
	"candlemark/agent/status"
	"candlemark/probes"
	"candlemark/probes/quality"
)

// coulombsPerAh is exact: one ampere for one hour.
const coulombsPerAh = 3600

// packStates lists every pack.State, since each is exported as 0 or 1.
func packStates() [5]pack.State {
	return [...]pack.State{pack.Unknown, pack.Discharging, pack.Charging, pack.Resting, pack.Absent}
}

// unix puts a wall time as Unix seconds, or nothing when there is none.
func (e emitter) unix(i id, t time.Time, labels ...string) {
	if t.IsZero() {
		return
	}
	e.put(i, float64(t.UnixNano())/float64(time.Second), labels...)
}

// places are the values of the label place.
var places = [...]struct {
	place quality.Place
	label string
}{
	{quality.NoFault, "none"}, {quality.LocalHop, "local_hop"}, {quality.TheUplink, "uplink"},
	{quality.BothParts, "both"}, {quality.PlaceUnsure, "cannot_tell"},
}

func (e emitter) agent(s status.Snapshot) {
	e.put(relayInfo, 1, s.Relay, s.Site)
	e.unix(startTime, s.Started)
	e.put(stepTime, s.Taken.Up.Seconds())
	e.unix(snapshotTime, s.Taken.Wall)
	e.flag(clockSet, s.ClockSet)
	if s.Trouble.Known {
		for _, p := range places {
			e.flag(linkTrouble, s.Trouble.Place == p.place, p.label)
		}
	}
	e.put(pagesOpen, float64(s.Pages.Open))
	e.put(pagesRefused, float64(s.Pages.Refused))
	e.put(pagesDropped, float64(s.Pages.Dropped))
	e.fit(s.Fit)
	e.put(dataUsed, float64(s.Data.UsedToday))
	if s.Data.BudgetPerDay > 0 {
		e.put(dataBudget, float64(s.Data.BudgetPerDay))
	}
	e.data(s)
}

const joulesPerWh = 3600

// data puts the use of the budgets by part, and what the probes cost the packs.
func (e emitter) data(s status.Snapshot) {
	if s.Data.BudgetPerMonth > 0 {
		e.put(dataMonthBudget, float64(s.Data.BudgetPerMonth))
	}
	for _, p := range s.Data.Parts {
		e.put(dataDay, float64(p.Day), p.Name)
		e.put(dataMonth, float64(p.Month), p.Name)
		if p.Limited {
			e.put(dataLeft, float64(p.Left), p.Name)
		}
	}
	if s.Energy.Measured > 0 {
		e.put(energyToday, s.Energy.TodayWh*joulesPerWh)
		if s.Energy.PacksKnown {
			e.put(energyShare, s.Energy.TodayWh/s.Energy.PacksWh)
		}
	}
	if s.Energy.Stretch > 0 {
		e.put(probeStretch, s.Energy.Stretch)
	}
}

func (e emitter) pack(p *status.Pack) {
	e.put(sensorInfo, 1, p.Name, p.SensorName)
	fresh := p.ReadingKnown && !p.Stale
	e.flag(sensorUp, fresh && p.LastError == "", p.Name)
	e.put(sensorReads, float64(p.Sensor.Reads), p.Name)
	e.put(sensorErrors, float64(p.Sensor.Errors), p.Name)
	e.put(sensorRepairs, float64(p.Sensor.Repairs), p.Name)
	e.put(packDischargedCoulombs, p.DischargedC, p.Name)
	e.put(packDischargedJoules, p.DischargedJ, p.Name)
	e.put(packSwaps, float64(p.Swaps), p.Name)
	e.put(packLeadNextPack, p.Leads.NextPack.Seconds(), p.Name)
	e.put(packLeadShutDown, p.Leads.ShutDown.Seconds(), p.Name)
	if p.Spec.CapacityAh > 0 {
		e.put(packRatedCapacity, p.Spec.CapacityAh*coulombsPerAh, p.Name)
	}
	if p.ReadingKnown {
		e.unix(packReadingTime, p.Reading.At, p.Name)
	}
	if fresh {
		e.reading(p)
	}
	e.forecast(p.Name, p.Forecast)
}

// reading puts the figures of a fresh reading. A stale one is not put: a level
// line on a graph would look like a measurement.
func (e emitter) reading(p *status.Pack) {
	r := p.Reading
	e.put(packVoltage, r.PackV, p.Name)
	e.put(packVoltageError, r.ErrV, p.Name)
	e.put(packCurrent, r.PackA, p.Name)
	e.put(packCurrentError, r.ErrA, p.Name)
	e.flag(packCurrentClipped, r.Clipped, p.Name)
	e.put(packPower, r.PackW(), p.Name)
	e.put(packPowerError, r.ErrW, p.Name)
	e.flag(sensorSettingsFault, r.SettingsFault, p.Name)
	if r.TempKnown {
		e.put(packTemperature, r.TempC, p.Name)
	}
}

func (e emitter) forecast(name string, f pack.Forecast) {
	// A pack nothing was ever said of is in the state "unknown", not in none.
	now := f.State
	if now == "" {
		now = pack.Unknown
	}
	for _, s := range packStates() {
		e.flag(packState, s == now, name, string(s))
	}
	if f.Known {
		e.put(packRuntime, f.Expected.Seconds(), name)
		e.put(packRuntimeLow, f.Low.Seconds(), name)
		e.put(packRuntimeHigh, f.High.Seconds(), name)
		e.put(packRuntimeCautious, f.Cautious.Seconds(), name)
		e.put(packLoad, f.LoadW, name)
		e.put(packCutoff, f.CutoffV, name)
	}
	if f.ChargeKnown {
		e.put(packCharge, f.ChargeRatio, name)
	}
	if f.CapacityKnown {
		e.put(packCapacity, f.CapacityAh*coulombsPerAh, name)
	}
	if f.ResistanceKnown {
		e.put(packResistance, f.ResistanceOhm, name)
	}
}

func (e emitter) receiver(r status.Receiver) {
	e.put(notifyAttempts, float64(r.Attempts), r.Name)
	e.put(notifyFailures, float64(r.Failures), r.Name)
	e.put(notifyDropped, float64(r.Dropped), r.Name)
	e.put(notifyWaiting, float64(r.Waiting), r.Name)
}

func (e emitter) journal(j status.Journal) {
	e.unix(journalSyncTime, j.LastSync)
	e.put(journalPending, float64(j.Pending))
	e.flag(journalFailing, j.LastError != "")
	e.put(journalDropped, float64(j.Dropped), "records")
	e.put(journalDropped, float64(j.SamplesDropped), "samples")
}

func (e emitter) forward(f *status.Forward, now time.Time) {
	e.put(forwardSent, float64(f.Sent))
	e.put(forwardDropped, float64(f.Refused), "refused")
	e.put(forwardDropped, float64(f.Undated), "undated")
	e.put(forwardDropped, float64(f.Expired), "expired")
	e.put(forwardDropped, float64(f.Invalid), "invalid")
	e.put(forwardWaiting, float64(f.Waiting))
	if age, known := f.BacklogAge(now); known {
		e.put(forwardBacklogAge, age.Seconds())
	}
	e.unix(forwardAnswerTime, f.LastSent)
	e.put(forwardRequests, float64(f.Requests))
	e.put(forwardFailures, float64(f.Failures))
	e.put(forwardBytes, float64(f.Bytes))
}

func (e emitter) feed(f *status.Feed) {
	e.flag(feedOn, f.On, f.Pack)
	e.flag(feedSwitched, f.Switched, f.Pack)
	for _, m := range [...]feed.Mode{feed.ModeOn, feed.ModeOff, feed.ModeScheduled, feed.ModeShed} {
		e.flag(feedMode, m == f.Mode, f.Pack, string(m))
	}
	if f.ChangeKnown {
		e.put(feedChange, f.ChangeIn.Seconds(), f.Pack)
	}
	e.put(feedCuts, float64(f.Cuts.Request), f.Pack, "request")
	e.put(feedCuts, float64(f.Cuts.Schedule), f.Pack, "schedule")
	e.put(feedCuts, float64(f.Cuts.Shed), f.Pack, "shed")
}

// alarms puts every alarm that could be raised, so that a rule or panel finds a
// 0 and not a hole while all is well; and any other that is raised all the same.
func (e emitter) alarms(s status.Snapshot) {
	type key struct {
		name    alarm.Name
		subject string
	}
	active := make(map[key]alarm.Severity, len(s.Alarms))
	for _, a := range s.Alarms {
		active[key{a.Name, a.Subject}] = a.Severity
		e.flag(alarmAcknowledged, a.Acknowledged != nil, string(a.Name), a.Subject)
	}
	for _, entry := range alarm.Catalogue() {
		for _, subject := range subjects(entry, s) {
			k := key{entry.Name, subject}
			if _, on := active[k]; !on {
				e.put(alarmActive, 0, string(k.name), subject, string(entry.Severity))
			}
		}
	}
	for k, severity := range active {
		e.put(alarmActive, 1, string(k.name), k.subject, string(severity))
	}
}

// subjects lists what the alarm can be about on this board.
func subjects(entry alarm.Entry, s status.Snapshot) []string {
	switch {
	case entry.About == "pack":
		names := make([]string, 0, len(s.Packs))
		for _, p := range s.Packs {
			names = append(names, p.Name)
		}
		return names
	case entry.About == "hop target":
		return latencyTargets(s, probes.Hop)
	case entry.About == "feed" && s.Feed == nil:
		return nil
	case entry.About == "feed":
		return []string{s.Feed.Pack}
	case entry.Name == alarm.LinkDown && len(latencyTargets(s, probes.Uplink)) == 0:
		return nil // nothing probes the uplink: a 0 would say that it is well
	}
	return []string{""}
}

func latencyTargets(s status.Snapshot, section probes.Section) []string {
	var names []string
	for _, t := range s.Targets {
		if t.Kind == probes.Latency && t.Section == section {
			names = append(names, t.Name)
		}
	}
	return names
}
