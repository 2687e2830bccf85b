package agent

import (
	"context"
	"errors"
	"fmt"
	"time"

	"candlemark/agent/alarm"
	"candlemark/agent/journal"
)

// AckAsked is an operator's word that he knows of an alarm. An Answer with its
// ticket follows.
type AckAsked struct {
	At      alarm.Instant
	Who     string
	Request AckRequest
	Ticket  uint64
}

func (e AckAsked) When() alarm.Instant { return e.At }

// AckRequest says which alarms are to be quiet, and for how long.
type AckRequest struct {
	Alarm   alarm.Name
	Subject string        // "" is every one of that name
	For     time.Duration // 0 is as long as the alarm allows
}

// Acknowledge quiets an active alarm, and returns in words what follows. A refusal
// says why.
// Safe from any goroutine.
func (a *Agent) Acknowledge(ctx context.Context, r AckRequest, who string) (string, error) {
	got, err := a.inquire(ctx, func(ticket uint64) Event {
		return AckAsked{At: a.line.now(), Who: who, Request: r, Ticket: ticket}
	})
	if err == nil && got.Refused != "" {
		err = errors.New(got.Refused)
	}
	return got.Text, err
}

// acknowledged puts an operator's word into force.
func (s *State) acknowledged(e AckAsked) []Effect {
	r := e.Request
	done, err := s.alarms.Acknowledge(r.Alarm, r.Subject, r.For, e.Who, s.now, s.clockSet)
	if err != nil {
		return []Effect{Answer{Ticket: e.Ticket, Refused: err.Error()}}
	}
	out := []Effect{SaveAlarms{State: s.alarms.Save()}}
	words := ""
	for _, a := range done {
		quiet := fmt.Sprintf("quiet for %s at most; it comes back sooner if it gets worse", alarm.Exact(a.Acknowledged.Until-s.now.Up))
		out = append(out, s.alarmRecord(a, e.Who, "acknowledged: "+quiet))
		if words != "" {
			words += "\n"
		}
		words += alarm.Label(a) + ": " + quiet
	}
	// Told at once: the buzzer is not to sound on until the next announcement.
	return append(out, Announce{Active: s.alarms.Active()}, Answer{Ticket: e.Ticket, Text: words})
}

// alarmRecord is a line of the activity record about one alarm.
func (s *State) alarmRecord(a alarm.Active, who, text string) Record {
	return Record{At: s.now, Kind: journal.KindAlarm, Subject: alarm.Label(a), Who: who, Text: text, Urgent: true}
}
