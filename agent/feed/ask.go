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
	return effects, m.View().Text, nil
}
