package agent

import (
	"fmt"
	"maps"
	"slices"
	"time"

	"candlemark/agent/alarm"
	"candlemark/agent/feed"
	"candlemark/agent/pack"
	"candlemark/agent/schedule"
	"candlemark/agent/status"
	"candlemark/probes"
	"candlemark/probes/quality"
	"candlemark/sensors"
)

// Setup is everything the step is told before the first event.
type Setup struct {
	Relay, Site string
	BootID      string // makes alarm ids unique over restarts
	Packs       []PackSetup
	Targets     []TargetSetup
	Schedule    schedule.Config
	Needs       quality.Needs // what the link is judged by; zero takes quality.DefaultNeeds
	// ForecastEvery is the least time between two forecasts of one pack; 0
	// forecasts at every reading, as replay does.
	ForecastEvery time.Duration
	// PowerOffAt is the remaining time of the pack that feeds the board at which
	// the board is shut down in order; 0 never does.
	PowerOffAt time.Duration
	Feed       *FeedSetup // nil where the terminal's feed is none of the agent's business
}

// PackSetup is one configured pack: a place on the feed together with its sensor.
type PackSetup struct {
	Name       string
	SensorName string
	Spec       pack.Spec
	Leads      alarm.Leads
	StaleAfter time.Duration
	// UnmeasuredW is what this pack feeds on the battery's side of the shunt,
	// where the sensor can't see it (the board itself, usually), in watts.
	UnmeasuredW float64
	FeedsBoard  bool
}

// TargetSetup is one configured probe target.
type TargetSetup struct {
	Name    string
	Section probes.Section
	Kind    probes.Kind
}

// PackState is a pack's part of the memory that outlives a restart.
type PackState struct {
	Mark     string        `json:"mark"` // which physical pack this is; "" when unmarked
	Estimate pack.Saved    `json:"estimate"`
	Saved    time.Time     `json:"saved"` // wall clock at saving; may be wrong where ClockSet is false
	ClockSet bool          `json:"clock_set"`
	Swaps    uint64        `json:"swaps"`
	Line     time.Duration `json:"line"` // where the pack's own time line stood at saving
}

// Memory is what the journal remembers of earlier runs. The zero value is a
// first start.
type Memory struct {
	Packs  map[string]PackState
	Known  map[string]KnownPack // by identity
	Alarms *alarm.Saved
	Budget *schedule.Saved
	Feed   *feed.Saved
}

// KnownPack is what was learned of one pack, with the label it is judged by.
type KnownPack struct {
	Spec    pack.Spec     `json:"spec"`
	Profile *pack.Profile `json:"profile"`
}

// State is everything the step knows. It belongs to whoever calls Step: the
// state passed in is consumed, only the returned one may be used afterwards.
type State struct {
	setup    Setup
	packs    []*packTrack
	targets  []*targetTrack
	known    map[string]KnownPack // by identity
	verdicts []status.KnownPack   // what is shown of known; made anew when that changes
	trouble  attribution
	fitFor   []quality.Verdict // made anew at each probe
	alarms   *alarm.Machine
	schedule *schedule.Schedule
	meter    *schedule.Meter
	running  schedule.Start // the probe under way
	claim    uint64         // ticket of whoever has the link; 0 is nobody
	day      string         // of the last tick that named one
	spent    bool           // something was counted that is not saved
	feed     *feed.Machine  // nil without a feed
	feedSeen bool           // the feed was stepped, so that it may be saved
	darkUp   time.Duration  // when the feed was last off
	darkSeen bool           // and that it ever was

	started   alarm.Instant
	now       alarm.Instant
	clockSet  bool
	announced bool          // the alarms carried over a restart were told once
	savedUp   time.Duration // when the estimates were last handed to the journal
	toldUp    time.Duration // when the receivers last heard of what is active
}

type packTrack struct {
	PackSetup
	est  *pack.Estimator
	mark string
	// shift carries the estimate's time line over a restart, which starts the
	// agent's own line anew.
	shift time.Duration

	frozen  frozen
	unclip  unclip
	handled handled

	reading    sensors.Reading
	readingUp  time.Duration
	seen       bool
	forecast   pack.Forecast
	forecastUp time.Duration
	hasFc      bool
	counts     status.SensorCounts
	offAsked   bool // the board was told to power off for this pack, at offUp
	offUp      time.Duration
	low        bool // little is left, by every forecast since lowUp
	lowUp      time.Duration
	lastError  string
	failing    bool // the newest try of the sensor failed
	failTold   bool // and that was told
	failToldUp time.Duration
	// failToldOnce says whether failToldUp means anything yet.
	failToldOnce bool
	swaps        uint64
	coulombs     float64
	joules       float64
}

type targetTrack struct {
	TargetSetup
	attempts, failures uint64
	told               uint64 // probes that said something of the link, an answer or its absence
	sent, lost         uint64
	bytes              uint64
	spent              time.Duration
	rtts               status.Histogram
	forward, backward  status.DirectionSum
	recent             []burstLoss // newest last, see fit.go
	last               probes.Result
	lastKnown          bool
	lastOld            bool // last is not of the newest probe, which could not measure
	lastError          string
	answered           bool // the newest latency probe had at least one reply
	energy             energySum
}

// NewState makes the state of an agent that starts at the given instant with
// what earlier runs left behind.
func NewState(setup Setup, mem Memory, at alarm.Instant, clockSet bool) (State, error) {
	s := State{
		setup: setup, started: at, now: at, clockSet: clockSet,
		known:    map[string]KnownPack{},
		trouble:  newAttribution(setup.Targets),
		alarms:   alarm.New(setup.BootID),
		schedule: schedule.New(setup.Schedule),
		meter:    &schedule.Meter{},
	}
	if s.setup.Needs == (quality.Needs{}) {
		s.setup.Needs = quality.DefaultNeeds()
	}
	if err := s.setup.Needs.Check(); err != nil {
		return State{}, fmt.Errorf("needs: %w", err)
	}
	maps.Copy(s.known, mem.Known)
	if mem.Alarms != nil {
		s.alarms = alarm.Resume(setup.BootID, *mem.Alarms)
	}
	if mem.Budget != nil {
		s.schedule = schedule.Resume(setup.Schedule, *mem.Budget)
	}
	for _, ps := range setup.Packs {
		t := &packTrack{PackSetup: ps}
		saved, ok := mem.Packs[ps.Name]
		if !ok {
			if err := s.fit(t, ""); err != nil {
				return State{}, err
			}
			s.packs = append(s.packs, t)
			continue
		}
		t.mark, t.swaps = saved.Mark, saved.Swaps
		gap, known := gapSince(saved, at.Wall, clockSet)
		est, err := pack.Resume(ps.Spec, s.known[identity(t)].Profile, saved.Estimate, gap, known)
		if err != nil {
			// A record that decayed must not keep the agent down: begin anew, and say so.
			if err := s.fit(t, saved.Mark); err != nil {
				return State{}, err
			}
			t.lastError = "not carried on from the saved estimate: " + err.Error()
			s.packs = append(s.packs, t)
			continue
		}
		t.est = est
		t.shift = saved.Line + gap - at.Up
		s.packs = append(s.packs, t)
	}
	for _, ts := range setup.Targets {
		s.targets = append(s.targets, &targetTrack{TargetSetup: ts})
	}
	s.judge()
	return s, s.startFeed(mem.Feed)
}

// gapSince tells how long the agent was away. It is known only where both ends
// were stamped by a clock that was set.
func gapSince(saved PackState, now time.Time, clockSet bool) (time.Duration, bool) {
	gap := now.Sub(saved.Saved)
	if !saved.ClockSet || !clockSet || gap < 0 {
		return 0, false
	}
	return gap, true
}

// identity names the profile of the pack that sits at t: its mark where it has
// one. Unmarked packs of one place share a profile, since most kits hold several
// of one kind; the estimator gives history less weight when it does not fit.
func identity(t *packTrack) string {
	if t.mark != "" {
		return t.mark
	}
	return Unmarked(t.Name)
}

// Unmarked is the identity under which unmarked packs at the place called name
// are remembered.
func Unmarked(name string) string { return name + " (unmarked)" }

// fit puts a pack with the given mark in place: a new estimate from its profile.
func (s *State) fit(t *packTrack, mark string) error {
	t.mark = mark
	est, err := pack.New(t.Spec, s.known[identity(t)].Profile)
	if err != nil {
		return fmt.Errorf("pack %s: %w", t.Name, err)
	}
	t.est, t.hasFc, t.forecast = est, false, pack.Forecast{State: pack.Unknown, Why: "no reading of this pack yet"}
	return nil
}

// judge makes the list of known packs anew.
func (s *State) judge() {
	s.verdicts = nil
	for _, id := range slices.Sorted(maps.Keys(s.known)) {
		place := ""
		for _, t := range s.packs {
			if identity(t) == id {
				place = t.Name
			}
		}
		s.verdicts = append(s.verdicts, Judge(id, place, s.known[id]))
	}
}

// Judge is what is shown of one known pack.
func Judge(id, place string, k KnownPack) status.KnownPack {
	out := status.KnownPack{Identity: id, Place: place, LabelAh: k.Spec.CapacityAh, Discharges: len(k.Profile.Past)}
	for _, p := range k.Profile.Past {
		if p.Whole {
			out.LastAh, out.LastKnown = p.DrawnAh, true
		}
	}
	out.Verdict, out.Why = k.Profile.Verdict(k.Spec)
	return out
}

func (s *State) pack(name string) *packTrack {
	for _, t := range s.packs {
		if t.Name == name {
			return t
		}
	}
	return nil
}

func (s *State) target(name string) *targetTrack {
	for _, t := range s.targets {
		if t.Name == name {
			return t
		}
	}
	return nil
}

// Snapshot is the picture of the agent for those who only look.
func (s State) Snapshot() status.Snapshot {
	out := status.Snapshot{
		Relay: s.setup.Relay, Site: s.setup.Site,
		Taken: s.now, Started: s.started.Wall, ClockSet: s.clockSet,
		Alarms: s.alarms.Active(),
		Known:  s.verdicts, Trouble: s.trouble.view(), Fit: s.fitFor, Feed: s.feedView(),
		Data: s.dataView(), Energy: s.energyView(),
	}
	for _, t := range s.packs {
		out.Packs = append(out.Packs, status.Pack{
			Name: t.Name, Mark: t.mark, SensorName: t.SensorName, Spec: t.Spec, Leads: t.Leads,
			Reading: t.reading, ReadingKnown: t.seen, ReadingUp: t.readingUp, Stale: s.stale(t),
			Forecast: s.present(t), Sensor: t.counts, DischargedC: t.coulombs, DischargedJ: t.joules,
			Swaps: t.swaps, LastError: t.lastError,
		})
	}
	for _, t := range s.targets {
		v := status.Target{
			Name: t.Name, Section: t.Section, Kind: t.Kind,
			Attempts: t.attempts, Failures: t.failures, Sent: t.sent, Lost: t.lost, Bytes: t.bytes,
			Spent: t.spent, RTTs: status.Histogram{Counts: slices.Clone(t.rtts.Counts), Sum: t.rtts.Sum}, Forward: t.forward, Backward: t.backward,
			Last: t.last, LastKnown: t.lastKnown, LastOld: t.lastOld, LastError: t.lastError,
			NotRun: s.schedule.Held(t.Name), Energy: t.energy.view(),
		}
		out.Targets = append(out.Targets, v)
	}
	return out
}

// present is the forecast as it may be shown and acted on: none once the readings
// it rests on are stale. The alarms get the forecast itself, since they look at
// its age on their own.
func (s State) present(t *packTrack) pack.Forecast {
	if !s.stale(t) {
		return t.forecast
	}
	why := "no reading yet"
	if t.seen {
		why = fmt.Sprintf("no reading for %s", (s.now.Up - t.readingUp).Round(time.Second))
	}
	return pack.Forecast{State: pack.Unknown, Why: why}
}

// stale says whether the newest good reading is too old to be shown as the present.
func (s State) stale(t *packTrack) bool {
	since := s.started.Up
	if t.seen {
		since = t.readingUp
	}
	return s.now.Up-since > t.StaleAfter
}
