package alarm

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"
)

// Machine holds which alarms are active. It is not safe for concurrent use.
type Machine struct {
	startID   string
	next      uint64 // number of the next life
	now       Instant
	set       bool // the clock, at now
	started   bool // now is valid
	entries   map[Name]Entry
	rank      map[Name]int
	tracks    map[key]*track
	packs     map[string]*packMemo
	targets   map[string]*targetMemo
	feed      *FeedInput   // of the present step; nil where none is configured
	changes   []Change     // of the present step
	unquieted []Unquieted  // of the last step
	touched   map[key]bool // looked at in the present step
}

type key struct {
	name    Name
	subject string
}

// track is the state of one alarm of one subject.
type track struct {
	active bool
	alarm  Active
	raise  hold
	clear  hold
	loadW  float64 // load at the raising, W
	figure string  // the newest known figure, in words
	figUp  time.Duration
	action string // what to do, in the words of the present step; "" takes the catalogue's
	by     string // until when, within action; "" where it says no time
	// carried is set for a life from an earlier run, whose raising lies on a time
	// line of which the length is unknown.
	carried bool
}

// New starts with nothing raised. startID becomes part of every id and must
// differ at every start of the agent, also between two starts in one boot of
// the board.
func New(startID string) *Machine {
	m := &Machine{
		startID: startID,
		entries: map[Name]Entry{},
		rank:    map[Name]int{},
		tracks:  map[key]*track{},
		packs:   map[string]*packMemo{},
		targets: map[string]*targetMemo{},
	}
	for i, e := range Catalogue() {
		m.entries[e.Name], m.rank[e.Name] = e, i
	}
	return m
}

// Step decides, and returns what changed, most urgent first. One alarm changes
// at most once in a step. An Up that runs backwards is taken as standing still.
// Of packs or targets that share a name only the first counts.
func (m *Machine) Step(in Inputs) []Change {
	if m.started {
		in.Now.Up = max(in.Now.Up, m.now.Up)
	}
	m.now, m.set, m.started = in.Now, in.ClockSet, true
	m.changes, m.touched = nil, map[key]bool{}
	m.feed = in.Feed

	m.correctWalls()
	m.stepPacks(in.Packs)
	m.stepTargets(in.Targets, in.Trouble)
	m.stepFeed(in.Feed)
	m.stepClock(in.ClockSet)
	m.forgetUnwatched()
	m.stepQuiet()

	slices.SortStableFunc(m.changes, func(a, b Change) int { return m.compare(a.Alarm, b.Alarm) })
	changes := m.changes
	m.changes, m.touched, m.feed = nil, nil, nil
	return changes
}

// Active lists the raised alarms, most urgent first.
func (m *Machine) Active() []Active {
	var out []Active
	for _, t := range m.tracks {
		if t.active {
			out = append(out, t.alarm)
		}
	}
	slices.SortStableFunc(out, m.compare)
	return out
}

func (m *Machine) compare(a, b Active) int {
	return cmp.Or(
		cmp.Compare(m.rank[a.Name], m.rank[b.Name]),
		cmp.Compare(a.Raised.Up, b.Raised.Up),
		cmp.Compare(a.Subject, b.Subject),
	)
}

// track finds or makes the track of one alarm and marks it as watched.
func (m *Machine) track(n Name, subject string) *track {
	k := key{n, subject}
	m.touched[k] = true
	t := m.tracks[k]
	if t == nil {
		t = &track{alarm: Active{Name: n, Subject: subject}}
		m.tracks[k] = t
	}
	return t
}

func (m *Machine) raise(t *track, detail, because string) {
	e := m.entries[t.alarm.Name]
	m.next++
	t.active, t.carried = true, false
	t.alarm = Active{
		ID:       fmt.Sprintf("%s-%s-%s-%d", m.startID, e.Name, idPart(t.alarm.Subject), m.next),
		Name:     e.Name,
		Severity: e.Severity,
		Subject:  t.alarm.Subject,
		Title:    fill(e.Title, t.alarm.Subject, detail),
		Action:   cmp.Or(t.action, e.Action),
		By:       t.by,
		Raised:   m.now,
		ClockSet: m.set,
	}
	t.raise, t.clear, t.action, t.by = hold{}, hold{}, "", ""
	m.changes = append(m.changes, Change{Alarm: t.alarm, Raised: true, At: m.now, ClockSet: m.set, Because: because})
}

func (m *Machine) clear(t *track, because string) {
	t.active = false
	t.raise, t.clear, t.figure = hold{}, hold{}, ""
	m.changes = append(m.changes, Change{Alarm: t.alarm, At: m.now, ClockSet: m.set, Because: because})
}

// retitle keeps the words of a raised alarm up to date.
func (m *Machine) retitle(t *track, detail string) {
	t.alarm.Title = fill(m.entries[t.alarm.Name].Title, t.alarm.Subject, detail)
}

// correctWalls puts right the wall times that were noted before the clock was set.
func (m *Machine) correctWalls() {
	if !m.set {
		return
	}
	for _, t := range m.tracks {
		if t.active && !t.alarm.ClockSet && !t.carried {
			t.alarm.Raised.Wall = m.now.Wall.Add(-since(m.now.Up, t.alarm.Raised.Up))
			t.alarm.ClockSet = true
		}
	}
}

// forgetUnwatched ends the alarms of what the inputs no longer hold.
func (m *Machine) forgetUnwatched() {
	for k, t := range m.tracks {
		if m.touched[k] {
			continue
		}
		if t.active {
			m.clear(t, "no longer watched: it left the configuration")
		}
		delete(m.tracks, k)
	}
}

func (m *Machine) stepClock(set bool) {
	t := m.track(ClockNotSet, "")
	switch {
	case !t.active && t.raise.step(no.unless(!set), m.now.Up, clockHold, m.now.Up):
		m.raise(t, "the times in records are not to be believed", "the clock has not been set for "+Exact(clockHold))
	case t.active && t.clear.step(no.unless(set), m.now.Up, clockBackHold, m.now.Up):
		m.clear(t, "the clock has been set for "+Exact(clockBackHold))
	}
}

func (m *Machine) stepFeed(in *FeedInput) {
	if in == nil {
		return
	}
	t := m.track(FeedCutComing, in.Pack)
	switch detail := m.cutDetail(in); {
	case in.CutComing && !t.active:
		m.raise(t, detail, detail)
	case in.CutComing:
		m.retitle(t, detail)
	case t.active && in.On:
		m.clear(t, "the cut was called off")
	case t.active:
		m.clear(t, "the feed was cut")
	}
}

// cutDetail says when and why.
func (m *Machine) cutDetail(in *FeedInput) string {
	detail := "in " + Exact(in.CutIn)
	if m.set {
		detail += ", at " + m.now.Wall.Add(in.CutIn).Format("15:04:05 MST")
	}
	if in.ByHand {
		detail += ", by hand, since no switch is fitted"
	}
	return detail + ", because: " + in.Why
}

// idPart makes a subject fit for an id.
func idPart(subject string) string {
	if subject == "" {
		return "board"
	}
	return strings.Map(func(r rune) rune {
		if r == '_' || r == '.' || '0' <= r && r <= '9' || 'a' <= r && r <= 'z' || 'A' <= r && r <= 'Z' {
			return r
		}
		return '_'
	}, subject)
}

// since is now minus then, at least 0, and without overflow.
func since(now, then time.Duration) time.Duration {
	if then >= now {
		return 0
	}
	if d := now - then; d > 0 {
		return d
	}
	return 1<<63 - 1
}
