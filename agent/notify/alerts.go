package notify

import (
	"encoding/json"
	"net/url"
	"time"

	"candlemark/agent/alarm"
)

// endsAfter is how many resends an alarm outlives at the Alertmanager.
const endsAfter = 4

// alert is one postableAlert of the Alertmanager API v2.
type alert struct {
	Labels       map[string]string `json:"labels"`
	Annotations  map[string]string `json:"annotations,omitempty"`
	StartsAt     string            `json:"startsAt,omitempty"`
	EndsAt       string            `json:"endsAt,omitempty"`
	GeneratorURL string            `json:"generatorURL,omitempty"`
}

// sameness is what makes two alarms the same to an Alertmanager: their labels,
// among which the id is not, so that a silence outlasts a life.
type sameness struct {
	name    alarm.Name
	subject string
}

func identify(a alarm.Active) sameness { return sameness{a.Name, a.Subject} }

// alerts is the outbox of an Alertmanager.
type alerts struct {
	from     identity
	receiver Receiver
	clockSet func() bool
	active   []alarm.Active
	cleared  map[sameness]clearing
	version  uint64 // counts the changes of what is to be told
	posted   uint64 // the version that was last told
	postedAt time.Time
	lost     uint64
	// theirs is what the receiver's clock said last, at ours, which keeps its
	// monotonic reading: the board's wall clock may be set in between. Valid where
	// theirsKnown.
	theirs, ours time.Time
	theirsKnown  bool
}

type clearing struct {
	alarm   alarm.Active
	because string
	queued  time.Time
	version uint64
}

func newAlerts(from identity, r Receiver, clockSet func() bool) *alerts {
	return &alerts{from: from, receiver: r, clockSet: clockSet, cleared: map[sameness]clearing{}}
}

// alertsURL is where alerts are posted; base was checked.
func alertsURL(base string) string {
	joined, err := url.JoinPath(base, "api/v2/alerts")
	if err != nil {
		return base
	}
	return joined
}

func (a *alerts) publish(changes []alarm.Change, active []alarm.Active, now time.Time) {
	before := map[sameness]alarm.Active{}
	for _, was := range a.active {
		before[identify(was)] = was
	}
	a.active = a.active[:0:0]
	changed := false
	for _, is := range active {
		if !a.receiver.wants(is.Severity) {
			continue
		}
		k := identify(is)
		was, known := before[k]
		if len(a.active) == mostItems {
			if !known {
				a.lost++
			}
			continue
		}
		changed = changed || !known || was.ID != is.ID
		a.active = append(a.active, is)
		delete(before, k)
		delete(a.cleared, k)
	}
	if changed {
		a.version++
	}
	for _, was := range before {
		a.clear(was, "", now)
	}
	for _, c := range changes {
		if !c.Raised && a.receiver.wants(c.Alarm.Severity) && !a.holds(identify(c.Alarm)) {
			a.clear(c.Alarm, c.Because, now)
		}
	}
}

func (a *alerts) holds(k sameness) bool {
	for _, is := range a.active {
		if identify(is) == k {
			return true
		}
	}
	return false
}

func (a *alerts) clear(was alarm.Active, because string, now time.Time) {
	k := identify(was)
	if _, waits := a.cleared[k]; !waits && len(a.cleared) == mostItems {
		a.lost++
		return
	}
	a.version++
	a.cleared[k] = clearing{alarm: was, because: because, queued: now, version: a.version}
}

func (a *alerts) take(now time.Time) (*job, time.Duration) {
	if a.version == a.posted {
		if len(a.active) == 0 {
			return nil, noWait
		}
		if wait := a.receiver.ResendEvery - now.Sub(a.postedAt); wait > 0 {
			return nil, wait
		}
	}
	if len(a.active)+len(a.cleared) == 0 {
		a.posted = a.version // what was to be told has been given up
		return nil, noWait
	}
	list := make([]alert, 0, len(a.active)+len(a.cleared))
	for _, is := range a.active {
		list = append(list, a.alert(is, now, true, ""))
	}
	for _, c := range a.cleared {
		list = append(list, a.alert(c.alarm, now, false, c.because))
	}
	body, err := json.Marshal(list)
	if err != nil {
		// Strings and maps of strings always marshal.
		panic(err)
	}
	version := a.version
	return &job{body: body, firm: true, settle: func(o outcome, ended time.Time) { a.settle(version, now, o, ended) }}, 0
}

func (a *alerts) settle(version uint64, started time.Time, o outcome, now time.Time) {
	if o.dateKnown {
		a.theirs, a.ours, a.theirsKnown = o.date, now, true
	}
	for k, c := range a.cleared {
		// By endFor the Alertmanager has ended the alarm by itself.
		expired := now.Sub(c.queued) >= endFor
		if o.again() && !expired || c.version > version {
			continue
		}
		if o.err != nil {
			a.lost++
		}
		delete(a.cleared, k)
	}
	if !o.again() {
		a.posted, a.postedAt = version, started
	}
}

func (a *alerts) alert(is alarm.Active, now time.Time, raised bool, because string) alert {
	out := alert{
		Labels: map[string]string{
			"alertname": string(is.Name),
			"severity":  string(is.Severity),
		},
		Annotations:  map[string]string{"summary": is.Title, "description": is.Action, "alarm_id": is.ID},
		GeneratorURL: a.receiver.GeneratorURL,
	}
	a.label(out, is.Subject)
	if because != "" {
		out.Annotations["because"] = because
	}
	if k := is.Acknowledged; k != nil {
		out.Annotations["acknowledged_by"] = k.Who
	}
	there := a.there(now)
	// A board that starts anew may be back before the raising.
	trusted := is.ClockSet && !is.Raised.Wall.After(there)
	if trusted {
		out.StartsAt = instant(is.Raised.Wall)
	}
	switch {
	case !raised:
		out.EndsAt = instant(there)
	case a.theirsKnown || trusted:
		out.EndsAt = instant(there.Add(endsAfter * a.receiver.ResendEvery))
	}
	return out
}

// label adds who sends; an empty label is the same as none.
func (a *alerts) label(to alert, subject string) {
	for label, value := range map[string]string{"relay": a.from.relay, "site": a.from.site, "subject": subject} {
		if value != "" {
			to.Labels[label] = value
		}
	}
}

// there is what the receiver's clock says now, as far as is known.
func (a *alerts) there(now time.Time) time.Time {
	if !a.theirsKnown {
		return a.from.right(now)
	}
	// Round(0) drops the monotonic reading: here two wall clocks are compared.
	return a.theirs.Add(now.Sub(a.ours)).Round(0)
}

// AliveAlert and TestAlert are the names of the alerts that are about no alarm.
const (
	AliveAlert = "relay_alive"
	TestAlert  = "alarm_test"
)

// about is a message that is about no alarm, as an alert that ends after a time.
func (a *alerts) about(name string, m Message, now time.Time, lasts time.Duration) []byte {
	out := alert{
		Labels:       map[string]string{"alertname": name, "severity": string(m.Severity)},
		Annotations:  map[string]string{"summary": m.Title, "description": m.Action},
		GeneratorURL: a.receiver.GeneratorURL,
	}
	a.label(out, "")
	if a.theirsKnown || a.clockSet() {
		out.EndsAt = instant(a.there(now).Add(lasts))
	}
	body, err := json.Marshal([]alert{out})
	if err != nil {
		panic(err) // as in take
	}
	return body
}

func (a *alerts) beat(now time.Time) []byte {
	return a.about(AliveAlert, a.from.alive(now, a.clockSet(), len(a.active)), now, missedBeats*a.receiver.HeartbeatEvery)
}

// testLasts is how long a test stays active at an Alertmanager.
const testLasts = time.Minute

func (a *alerts) trial(now time.Time) []byte {
	return a.about(TestAlert, a.from.trial(now, a.clockSet()), now, testLasts)
}

func (a *alerts) waiting() int {
	n := len(a.cleared)
	if a.version != a.posted {
		n += len(a.active)
	}
	return n
}

func (a *alerts) dropped() uint64 { return a.lost }

func (a *alerts) abandon() {
	a.lost += uint64(a.waiting())
	a.posted = a.version
	clear(a.cleared)
}

func instant(t time.Time) string { return t.UTC().Format("2006-01-02T15:04:05.000Z07:00") }
