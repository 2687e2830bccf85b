package notify

import (
	"encoding/json"
	"fmt"
	"time"

	"candlemark/agent/alarm"
)

// Message is what a webhook and a command receive, as a JSON object. Fields may be
// added later; the ones here keep their meaning while Version is 1.
type Message struct {
	Version  int            `json:"version"` // 1
	ID       string         `json:"id"`      // the same for the whole life of an alarm
	Name     alarm.Name     `json:"name"`
	Severity alarm.Severity `json:"severity"`
	State    State          `json:"state"`
	// Reminder is true when the alarm was told before, or may have been.
	Reminder bool   `json:"reminder"`
	Relay    string `json:"relay"`
	Site     string `json:"site"`
	Subject  string `json:"subject"` // pack or target, "" for the board
	Title    string `json:"title"`
	Action   string `json:"action"`
	Because  string `json:"because"` // "" in a reminder
	// RaisedAt and ClearedAt are RFC 3339 in UTC; ClearedAt is "" while raised. They
	// are when it happened, however late the message comes.
	RaisedAt  string `json:"raised_at"`
	ClearedAt string `json:"cleared_at"`
	// ClockKnown is false when a time above comes from a clock that was not set.
	ClockKnown bool `json:"clock_known"`
	// MessageID is this message's own: a message that comes twice comes under the
	// same id, byte for byte the same, and no two messages share one.
	MessageID string `json:"message_id"`
}

// State says what a message is about.
type State string

const (
	Raised  State = "raised"
	Cleared State = "cleared"
	Testing State = "test"  // nothing is the matter: somebody tries the receivers
	Alive   State = "alive" // nothing is the matter: the relay says that it is there
)

// JSON is the message as webhooks and commands get it.
func (m Message) JSON() []byte {
	body, err := json.Marshal(m)
	if err != nil {
		panic(err) // a struct of strings and booleans always marshals
	}
	return body
}

// at is when what the message tells of happened; ok is false where the clock was not
// set then.
func (m Message) at() (t time.Time, ok bool) {
	text := m.RaisedAt
	if m.State == Cleared {
		text = m.ClearedAt
	}
	t, err := time.Parse(time.RFC3339, text)
	return t, err == nil && m.ClockKnown
}

func stamp(t time.Time) string { return t.UTC().Format(time.RFC3339) }

// identity is who sends, and which of its runs.
type identity struct {
	relay, site, run string
	right            func(time.Time) time.Time // see Config.RightTime
}

// message is what all messages about an alarm share.
func (i identity) message(a alarm.Active, state State) Message {
	return Message{
		Version: 1, ID: a.ID, Name: a.Name, Severity: a.Severity, State: state,
		Relay: i.relay, Site: i.site, Subject: a.Subject, Title: a.Title, Action: a.Action,
		RaisedAt: stamp(a.Raised.Wall), ClockKnown: a.ClockSet,
		MessageID: a.ID + "-" + string(state),
	}
}

// trial is a message that is not about any alarm.
func (i identity) trial(now time.Time, clockSet bool) Message {
	return Message{
		Version: 1, ID: "test", Severity: alarm.Notice, State: Testing, Relay: i.relay, Site: i.site,
		Title: "this is a test of the alarms", Action: "nothing is to be done",
		RaisedAt: stamp(i.right(now)), ClockKnown: clockSet, MessageID: fmt.Sprintf("test-%s-%d", i.run, now.UnixNano()),
	}
}

// alive says that the relay is there, and how many alarms it has.
func (i identity) alive(now time.Time, clockSet bool, active int) Message {
	title := "the relay is there, and no alarm is active"
	switch {
	case active == 1:
		title = "the relay is there, and 1 alarm is active"
	case active > 1:
		title = fmt.Sprintf("the relay is there, and %d alarms are active", active)
	}
	return Message{
		Version: 1, ID: "alive", Severity: alarm.Notice, State: Alive, Relay: i.relay, Site: i.site,
		Title: title, Action: "nothing is to be done; look after the relay when these stop coming",
		RaisedAt: stamp(i.right(now)), ClockKnown: clockSet, MessageID: fmt.Sprintf("alive-%s-%d", i.run, now.UnixNano()),
	}
}
