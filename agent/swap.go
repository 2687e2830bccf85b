package agent

import (
	"context"
	"errors"
	"fmt"
	"time"

	"candlemark/agent/alarm"
	"candlemark/agent/journal"
	"candlemark/sensors"
)

// SwapDeclared is an operator's word that a pack was changed. An Answer with its
// ticket follows.
type SwapDeclared struct {
	At   alarm.Instant
	Pack string // the configured pack
	Mark string // what is written on the new one; "" when it is unmarked
	Sure bool   // it was changed, though the readings do not show it
	Who  string

	Ticket uint64
}

func (e SwapDeclared) When() alarm.Instant { return e.At }

// ErrNoPack is the answer to a command that names a pack nobody configured.
var ErrNoPack = errors.New("no pack of that name is configured")

// Swap tells the agent that the pack called name was changed for the one marked
// mark ("" when it is unmarked), and returns once that was taken in. It is refused in
// words where the readings went on as before, unless sure is set: a swap clears the
// old pack's alarms. Safe from any goroutine.
func (a *Agent) Swap(ctx context.Context, name, mark string, sure bool, who string) error {
	for _, p := range a.parts.Setup.Packs {
		if p.Name != name {
			continue
		}
		got, err := a.inquire(ctx, func(ticket uint64) Event {
			return SwapDeclared{At: a.line.now(), Pack: name, Mark: mark, Sure: sure, Who: who, Ticket: ticket}
		})
		if err == nil && got.Refused != "" {
			err = errors.New(got.Refused)
		}
		return err
	}
	return fmt.Errorf("swap %q: %w", name, ErrNoPack)
}

// swapDeclared puts an operator's word into force, or doubts it.
func (s *State) swapDeclared(e SwapDeclared) []Effect {
	t := s.pack(e.Pack)
	if t == nil {
		return []Effect{Answer{Ticket: e.Ticket, Refused: ErrNoPack.Error()}}
	}
	if steady := e.At.Up - t.handled.up; !e.Sure && t.handled.known && steady > swapWithin && e.At.Up-t.readingUp < t.StaleAfter {
		return []Effect{Answer{Ticket: e.Ticket, Refused: fmt.Sprintf(
			"pack %s has fed the load without a break for %s (%.2f V, %.2f A now): was it really changed? Change it first; or, where it was changed under load, say so again with --sure",
			t.Name, alarm.Exact(steady), t.reading.PackV, t.reading.PackA)}}
	}
	return append(s.swap(t, e.At, e.Mark, "declared by "+e.Who), Answer{Ticket: e.Ticket})
}

// swapWithin is how long after a pack was changed people may take to say so.
const swapWithin = time.Hour

const (
	brokenShare = 0.3   // of the current before; less is an interruption
	liftShare   = 0.004 // of the voltage before, 0.08 V at 20 V; what it rises by at an unchanged power when another pack takes over
)

// handled says when a pack last showed what changing it brings: no reading, no
// current, or a voltage that rises under the load it had.
type handled struct {
	up    time.Duration
	known bool
}

// take looks at a reading and the one before it, which was seen gap ago.
func (h *handled) take(now, before sensors.Reading, seen bool, gap, stale, at time.Duration) {
	switch {
	case !seen, gap > stale,
		now.PackA < brokenShare*before.PackA,
		now.PackA*now.PackV > (1-liftShare)*before.PackA*before.PackV && now.PackV > before.PackV*(1+liftShare):
		h.up, h.known = at, true
	}
}

// swap puts another pack in place of the one at t.
func (s *State) swap(t *packTrack, at alarm.Instant, mark, how string) []Effect {
	out := s.learn(t)
	if err := s.fit(t, mark); err != nil {
		// The same specification was accepted at the start, so this is a fault
		// of the program; carry on with the old estimate and say so.
		return append(out, Record{At: at, Kind: journal.KindFault, Subject: t.Name, Text: err.Error()})
	}
	t.swaps++
	t.offAsked = false
	s.meter.Forget(t.Name)
	s.judge()
	return append(out,
		Record{At: at, Kind: journal.KindSwap, Subject: t.Name, Text: identity(t) + " in place; " + how, Urgent: true},
		s.savePack(t))
}
