package agent

import (
	"context"

	"candlemark/agent/feed"
)

// Actuator does what the feed wants. Its methods never block.
type Actuator interface {
	Want(on bool)
	Hook(name string, c feed.Cause)
}

// Feed asks something of the terminal's feed and returns in words what follows.
// A refusal is a *feed.Refused. Safe from any goroutine.
func (a *Agent) Feed(ctx context.Context, r feed.Request, who string) (string, error) {
	got, err := a.inquire(ctx, func(ticket uint64) Event {
		return FeedAsked{At: a.line.now(), Who: who, Request: r, Ticket: ticket}
	})
	if err == nil && got.Refused != "" {
		err = &feed.Refused{Why: got.Refused}
	}
	return got.Text, err
}

// FeedHookEnded and FeedSwitched tell the agent what its actuator did. They wait
// for room among the events, but not for an agent that has ended.
func (a *Agent) FeedHookEnded(name, fault string) {
	a.report(FeedHookEnded{At: a.line.now(), Name: name, Fault: fault})
}

// FeedSwitched tells that the switch does not obey, or, with "", does again.
func (a *Agent) FeedSwitched(fault string) {
	a.report(FeedSwitched{At: a.line.now(), Fault: fault})
}

func (a *Agent) report(e Event) {
	select {
	case a.events <- queued{event: e}:
	case <-a.ended:
	}
}
