package agent

import (
	"context"
	"sync"

	"candlemark/agent/feed"
)

// Actuator does what the feed wants. Its methods never block.
type Actuator interface {
	Want(on bool)
	Hook(name string, c feed.Cause)
}

// tickets finds those who wait for an answer about the feed.
type tickets struct {
	mu      sync.Mutex
	last    uint64
	waiting map[uint64]chan FeedAnswer
}

func (t *tickets) take() (uint64, <-chan FeedAnswer) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.waiting == nil {
		t.waiting = map[uint64]chan FeedAnswer{}
	}
	t.last++
	answer := make(chan FeedAnswer, 1)
	t.waiting[t.last] = answer
	return t.last, answer
}

func (t *tickets) give(a FeedAnswer) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if to, ok := t.waiting[a.Ticket]; ok {
		to <- a // has room for the one answer there is
	}
	delete(t.waiting, a.Ticket)
}

// Feed asks something of the terminal's feed and returns in words what follows.
// A refusal is a *feed.Refused. Safe from any goroutine.
func (a *Agent) Feed(ctx context.Context, r feed.Request, who string) (string, error) {
	ticket, answer := a.tell.tickets.take()
	defer a.tell.tickets.give(FeedAnswer{Ticket: ticket}) // frees it where nobody answered
	if err := a.ask(ctx, FeedAsked{At: a.line.now(), Who: who, Request: r, Ticket: ticket}); err != nil {
		return "", err
	}
	got := <-answer // given while it was handled
	if got.Refused != "" {
		return "", &feed.Refused{Why: got.Refused}
	}
	return got.Text, nil
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
