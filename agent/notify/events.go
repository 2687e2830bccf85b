package notify

import (
	"encoding/json"
	"time"

	"candlemark/agent/alarm"
)

// Message is what a webhook receives, as a JSON object. Fields may be added
// later; the ones here keep their meaning while Version is 1.
type Message struct {
	Version  int            `json:"version"` // 1
	ID       string         `json:"id"`      // the same for the whole life of an alarm
	Name     alarm.Name     `json:"name"`
	Severity alarm.Severity `json:"severity"`
	State    string         `json:"state"` // "raised" or "cleared"
	// Reminder is true when the alarm was told before, or may have been.
	Reminder bool   `json:"reminder"`
	Relay    string `json:"relay"`
	Site     string `json:"site"`
	Subject  string `json:"subject"` // pack or target, "" for the board
	Title    string `json:"title"`
	Action   string `json:"action"`
	Because  string `json:"because"` // "" in a reminder
	// RaisedAt and ClearedAt are RFC 3339 in UTC; ClearedAt is "" while raised.
	RaisedAt  string `json:"raised_at"`
	ClearedAt string `json:"cleared_at"`
	// ClockKnown is false when a time above comes from a clock that was not set.
	ClockKnown bool `json:"clock_known"`
}

// events is the outbox of a webhook.
type events struct {
	relay, site string
	receiver    Receiver
	queue       []event
	told        map[string]*telling // by id of the active alarms
	lost        uint64
	number      uint64
}

type event struct {
	number  uint64
	message Message
	queued  time.Time
}

// telling is when an active alarm was last queued, and its present words.
type telling struct {
	last  time.Time
	alarm alarm.Active
}

func newEvents(relay, site string, r Receiver) *events {
	return &events{relay: relay, site: site, receiver: r, told: map[string]*telling{}}
}

func (e *events) publish(changes []alarm.Change, active []alarm.Active, now time.Time) {
	for _, c := range changes {
		if !e.receiver.wants(c.Alarm.Severity) {
			continue
		}
		m := e.message(c.Alarm)
		m.Because = c.Because
		if c.Raised {
			e.told[c.Alarm.ID] = &telling{last: now}
		} else {
			m.State, m.ClearedAt = "cleared", stamp(c.At.Wall)
			m.ClockKnown = m.ClockKnown && c.ClockSet
		}
		e.put(m, now)
	}
	present := map[string]bool{}
	for _, a := range active {
		if !e.receiver.wants(a.Severity) {
			continue
		}
		present[a.ID] = true
		t := e.told[a.ID]
		if t == nil {
			// Raised before a restart: whether it was delivered is not known.
			t = &telling{last: now}
			e.told[a.ID] = t
			e.remind(a, now)
		}
		t.alarm = a
	}
	for id := range e.told {
		if !present[id] {
			delete(e.told, id)
		}
	}
}

func (e *events) message(a alarm.Active) Message {
	return Message{
		Version: 1, ID: a.ID, Name: a.Name, Severity: a.Severity, State: "raised",
		Relay: e.relay, Site: e.site, Subject: a.Subject, Title: a.Title, Action: a.Action,
		RaisedAt: stamp(a.Raised.Wall), ClockKnown: a.ClockSet,
	}
}

func (e *events) remind(a alarm.Active, now time.Time) {
	m := e.message(a)
	m.Reminder = true
	e.put(m, now)
}

func (e *events) put(m Message, now time.Time) {
	if len(e.queue) == mostItems {
		e.queue = e.queue[1:]
		e.lost++
	}
	e.number++
	e.queue = append(e.queue, event{number: e.number, message: m, queued: now})
}

func (e *events) take(now time.Time) (*job, time.Duration) {
	wait := noWait
	if len(e.queue) == 0 && e.receiver.RepeatEvery > 0 {
		// Only with an empty queue: an outage must not pile up reminders.
		for _, t := range e.told {
			due := e.receiver.RepeatEvery - now.Sub(t.last)
			if due <= 0 {
				t.last = now
				e.remind(t.alarm, now)
			} else {
				wait = min(wait, due)
			}
		}
	}
	if len(e.queue) == 0 {
		return nil, wait
	}
	head := e.queue[0]
	body, err := json.Marshal(head.message)
	if err != nil {
		// A Message of strings and booleans always marshals.
		panic(err)
	}
	return &job{body: body, settle: func(o outcome, now time.Time) { e.settle(head, o, now) }}, 0
}

func (e *events) settle(sent event, o outcome, now time.Time) {
	if len(e.queue) == 0 || e.queue[0].number != sent.number {
		return // dropped meanwhile, to make room
	}
	expired := o.again() && now.Sub(sent.queued) >= keepFor
	if o.again() && !expired {
		return
	}
	if o.err != nil {
		e.lost++
	}
	e.queue = e.queue[1:]
}

func (e *events) waiting() int    { return len(e.queue) }
func (e *events) dropped() uint64 { return e.lost }

func (e *events) abandon() {
	e.lost += uint64(len(e.queue))
	e.queue = nil
}

func stamp(t time.Time) string { return t.UTC().Format(time.RFC3339) }
