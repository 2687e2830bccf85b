package feed

import (
	"fmt"
	"time"

	"candlemark/agent/alarm"
)

// Refused is an error that says in words why a request is not carried out, and
// what would help.
type Refused struct{ Why string }

func (r *Refused) Error() string { return r.Why }

func refuse(format string, args ...any) error { return &Refused{fmt.Sprintf(format, args...)} }

// Off asks for the feed to be off for a time. There is no off without a return:
// whoever asks may be at the far end of the link that it cuts.
func (m *Machine) Off(at alarm.Instant, who string, For time.Duration) ([]Effect, error) {
	least := max(leastOff, m.setup.closeFor()+restFor)
	switch {
	case !m.ready(at, who):
		return nil, notReady(who)
	case For <= 0:
		return nil, refuse("off needs a return time, for example off --for 45m: the feed comes back by itself, so that nobody locks himself out")
	case For < least:
		return nil, refuse("off for %s is shorter than %s, which the terminal's shutdown and a rest take", words(For), words(least))
	case For > m.setup.LongestOff:
		return nil, refuse("off for %s is longer than the limit of %s; ask again nearer its end", words(For), words(m.setup.LongestOff))
	case m.mode == ModeShed:
		return nil, refuse("the feed is being kept off because %s; %s", m.cause.Why, returnsOn)
	case m.stage == StageWarned:
		return nil, refuse("the feed is about to be cut because %s, and a return time could not be kept; %s", m.cause.Why, returnsOn)
	}
	c := Cause{At: m.in.Now, Who: who, Why: "off for " + words(For) + " asked for by " + who}
	m.unsure = false
	m.due = m.in.Now.Up + For
	switch {
	case m.stage == StageClosing: // the cut is under way already; only what follows it is new
		m.mode, m.cause = ModeOff, c
		m.due = max(m.due, m.stageUp+restFor)
		m.note(c, "the feed returns in "+words(m.due-m.in.Now.Up))
	case m.on:
		m.close(ModeOff, c)
	default:
		m.mode, m.cause = ModeOff, c
		m.note(c, "the feed stays off and returns in "+words(For))
	}
	return m.out, nil
}

// On asks for the feed to be on: it ends an off, a schedule, and a shedding.
func (m *Machine) On(at alarm.Instant, who string) ([]Effect, error) {
	if !m.ready(at, who) {
		return nil, notReady(who)
	}
	why, v := m.atReserve()
	if m.flat {
		return nil, refuse("the pack is at its cut-off, and switching the terminal on would harm it; swap or charge it. Where it was swapped and the agent did not notice, say so with the swap command first")
	}
	c := Cause{At: m.in.Now, Who: who, Why: "asked for by " + who}
	m.plan, m.returns = nil, 0
	if v == yes || m.mode == ModeShed || m.stage == StageWarned {
		m.override = true
		c.Why += ", below the pack's reserve; it is shed next at the pack's cut-off"
		if why != "" {
			c.Why += " (" + why + ")"
		}
	}
	switch {
	case m.stage == StageClosing:
		m.turnOver(c)
	case m.on:
		m.mode, m.cause, m.stage, m.low = ModeOn, c, StageNone, hold{}
		m.note(c, "the feed stays on: "+c.Why)
	default:
		m.restore(c)
	}
	return m.out, nil
}

// Follow puts a schedule in force, from an on phase. Show the Offer first.
func (m *Machine) Follow(at alarm.Instant, who string, s Schedule) ([]Effect, error) {
	if !m.ready(at, who) {
		return nil, notReady(who)
	}
	offer, err := m.Offer(s)
	switch why, v := m.atReserve(); {
	case err != nil:
		return nil, err
	case m.mode == ModeShed:
		return nil, refuse("the feed is being kept off because %s; %s", m.cause.Why, returnsOn)
	case m.stage == StageWarned:
		return nil, refuse("the feed is about to be cut because %s", m.cause.Why)
	case v == yes:
		return nil, refuse("%s: a schedule comes too late; swap the pack", why)
	}
	c := Cause{At: m.in.Now, Who: who, Why: s.String() + " asked for by " + who}
	m.plan = &s
	text := "schedule accepted: " + offer.Text
	switch {
	case m.stage == StageClosing: // goes on with the off phase
		m.mode, m.cause, m.unsure = ModeScheduled, c, false
		m.note(c, text)
	case m.on:
		m.mode, m.cause, m.due = ModeScheduled, c, m.in.Now.Up+s.On
		m.note(c, text)
	default:
		m.emit(Record{text, c})
		m.restore(c)
	}
	return m.out, nil
}

// ready begins a request; it may only follow a step.
func (m *Machine) ready(at alarm.Instant, who string) bool {
	m.out = nil
	if !m.started || who == "" {
		return false
	}
	if at.Up >= m.in.Now.Up {
		m.in.Now = at
	}
	return true
}

func notReady(who string) error {
	if who == "" {
		return refuse("the request does not say who makes it, and every change of the feed is recorded with a name")
	}
	return refuse("the agent has only just started; ask again in a few seconds")
}
