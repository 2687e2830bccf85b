package agent

import (
	"context"
	"errors"
	"fmt"
	"time"

	"candlemark/agent/alarm"
	"candlemark/agent/journal"
	"candlemark/agent/schedule"
)

// ProbeAsked is an operator's wish that a probe be made now. An Answer with its
// ticket follows.
type ProbeAsked struct {
	At        alarm.Instant
	Name, Who string
	Ticket    uint64
}

// LinkAsked wants the link for itself, to measure apart from the schedule. An Answer
// with its ticket follows; unless it is a refusal, no probe starts until LinkReleased.
type LinkAsked struct {
	At     alarm.Instant
	Bytes  int64 // the most that will be used
	Ticket uint64
}

// LinkReleased ends what the LinkAsked of that ticket began, if that is in force.
type LinkReleased struct {
	Began, At alarm.Instant
	Bytes     int64
	Ticket    uint64
}

func (e ProbeAsked) When() alarm.Instant   { return e.At }
func (e LinkAsked) When() alarm.Instant    { return e.At }
func (e LinkReleased) When() alarm.Instant { return e.At }

func (s *State) linkEvent(e Event) []Effect {
	switch e := e.(type) {
	case ProbeAsked:
		why, ok := s.schedule.Force(e.Name)
		if !ok {
			return []Effect{Answer{Ticket: e.Ticket, Refused: fmt.Sprintf("probe %s: %s", e.Name, why)}}
		}
		return []Effect{
			Record{At: e.At, Kind: journal.KindProbe, Subject: e.Name, Who: e.Who, Text: "asked for now"},
			Answer{Ticket: e.Ticket, Text: "it is made next, however busy the link"},
		}
	case LinkAsked:
		why, ok := s.schedule.Claim(e.At.Up, e.Bytes)
		if !ok {
			return []Effect{Answer{Ticket: e.Ticket, Refused: why}}
		}
		s.claim, s.spent = e.Ticket, false
		return []Effect{SaveBudget{State: s.schedule.Save(), Urgent: true}, Answer{Ticket: e.Ticket}}
	case LinkReleased:
		if e.Ticket != s.claim {
			return nil
		}
		s.claim = 0
		s.schedule.Release(e.At.Up, e.Bytes)
		s.cost(e.Began, e.At)
		s.spent = false
		return []Effect{SaveBudget{State: s.schedule.Save()}}
	}
	return nil
}

// cost ends a measurement and counts its energy.
func (s *State) cost(began, at alarm.Instant) schedule.Cost {
	cost := s.meter.Probe(began.Up, at.Up)
	s.schedule.SpendEnergy(cost)
	s.spent = true
	return cost
}

// claimAgain is how long whoever wants the link waits before he asks again.
const claimAgain = time.Second

// Claim waits for the link to be free of probes and keeps it so until release is
// called with what was used, of bytes at the most. It refuses where the data budget does
// not hold them. Safe from any goroutine.
func (a *Agent) Claim(ctx context.Context, bytes int64) (release func(used int64), err error) {
	for {
		var mine uint64
		got, err := a.inquire(ctx, func(ticket uint64) Event {
			mine = ticket
			return LinkAsked{At: a.line.now(), Bytes: bytes, Ticket: ticket}
		})
		began := a.line.now()
		release = func(used int64) {
			a.report(LinkReleased{Began: began, At: a.line.now(), Bytes: used, Ticket: mine})
		}
		switch {
		case err != nil:
			release(0) // it may have been given to nobody
			return nil, err
		case got.Refused == "":
			return release, nil
		case got.Refused == schedule.BudgetSpent:
			return nil, fmt.Errorf("%s: a round may take %.1f MB; go on tomorrow, or raise data.per_day or data.per_month", got.Refused, float64(bytes)/1e6)
		}
		select {
		case <-time.After(claimAgain):
		case <-ctx.Done():
			return nil, fmt.Errorf("the link was not free: %s: %w", got.Refused, ctx.Err())
		}
	}
}

// Probe has a probe made next, whatever its period and however busy the link, and
// returns in words what follows. Safe from any goroutine.
func (a *Agent) Probe(ctx context.Context, name, who string) (string, error) {
	got, err := a.inquire(ctx, func(ticket uint64) Event {
		return ProbeAsked{At: a.line.now(), Name: name, Who: who, Ticket: ticket}
	})
	if err != nil {
		return "", err
	}
	if got.Refused != "" {
		return "", errors.New(got.Refused)
	}
	return got.Text, nil
}
