package agent

import (
	"context"
	"sync"
)

// Answer goes to whoever asked with Ticket. Refused is a refusal in words; ""
// where it was done, and Text says what follows.
type Answer struct {
	Ticket        uint64
	Text, Refused string
}

func (Answer) effect() {}

// tickets finds those who wait for an answer of the step.
type tickets struct {
	mu      sync.Mutex
	last    uint64
	waiting map[uint64]chan Answer
}

func (t *tickets) take() (uint64, <-chan Answer) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.waiting == nil {
		t.waiting = map[uint64]chan Answer{}
	}
	t.last++
	answer := make(chan Answer, 1)
	t.waiting[t.last] = answer
	return t.last, answer
}

func (t *tickets) give(a Answer) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if to, ok := t.waiting[a.Ticket]; ok {
		to <- a // has room for the one answer there is
	}
	delete(t.waiting, a.Ticket)
}

// inquire asks the step something and waits for its answer.
func (a *Agent) inquire(ctx context.Context, event func(ticket uint64) Event) (Answer, error) {
	ticket, answer := a.tell.tickets.take()
	defer a.tell.tickets.give(Answer{Ticket: ticket}) // frees it where nobody answered
	if err := a.ask(ctx, event(ticket)); err != nil {
		return Answer{}, err
	}
	return <-answer, nil // given while the event was handled
}
