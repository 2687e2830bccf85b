package feed

import (
	"time"

	"candlemark/agent/alarm"
)

// Action is what somebody asks for.
type Action string

const (
	AskOff      Action = "off"
	AskOn       Action = "on"
	AskSchedule Action = "schedule"
	AskOffer    Action = "offer" // what a schedule would buy; changes nothing
)

// Request is what somebody asks for, with its times.
type Request struct {
	Do       Action        `json:"do"`
	For      time.Duration `json:"for_ns,omitempty"` // of an off
	Schedule Schedule      `json:"schedule,omitzero"`
}

// Ask carries a request out and answers in words. A refusal is a *Refused.
func (m *Machine) Ask(at alarm.Instant, who string, r Request) (effects []Effect, answer string, err error) {
	switch r.Do {
	case AskOff:
		effects, err = m.Off(at, who, r.For)
	case AskOn:
		effects, err = m.On(at, who)
	case AskSchedule:
		effects, err = m.Follow(at, who, r.Schedule)
	case AskOffer:
		o, err := m.Offer(r.Schedule)
		return nil, o.Text, err
	default:
		err = refuse("%q is not something the feed can do; ask for off, on or a schedule", string(r.Do))
	}
	if err != nil {
		return nil, "", err
	}
	return effects, m.taken(r.Do), nil
}

// taken says that a request is in force, and what follows. Whoever asked for on must
// not take the off that comes before it for a refusal.
func (m *Machine) taken(do Action) string {
	v := m.View()
	if do != AskOn || v.Mode != ModeOff {
		return "taken: " + v.Text
	}
	text := "taken: the terminal's feed comes on by itself in " + words(m.due-m.in.Now.Up)
	if !v.Switched {
		text = "taken; advice, no switch is fitted: switch the terminal's feed on in " + words(m.due-m.in.Now.Up)
	}
	if v.Stage == StageClosing {
		return text + "; before that the shutdown that has begun is brought to its end and the feed is cut"
	}
	return text + "; it rests until then, so that the terminal starts afresh"
}
