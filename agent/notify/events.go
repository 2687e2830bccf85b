package notify

import (
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"candlemark/agent/alarm"
)

// events is the outbox of a receiver that is told what happened, in order.
type events struct {
	from     identity
	receiver Receiver
	store    Store // nil keeps everything in memory only
	clockSet func() bool
	format   func(Message) []byte

	queue     []*entry
	told      map[string]*telling // by id of the active alarms
	lost      uint64
	number    uint64 // the last one handed out
	reminders uint64 // of this run
}

// entry is one message that waits.
type entry struct {
	number  uint64
	message Message
	// lasting entries are in the store too; reminders are not, they are made anew.
	lasting bool
	firm    bool // on the disk, as far as it can be
	// begun says that some of it may have reached the receiver: it stays as it is.
	begun   bool
	failing time.Time // since when it reaches the receiver and is not taken; zero before
	// queued keeps its monotonic reading; zero where an earlier run queued it.
	queued time.Time
	age    time.Duration // of the alarm when it was queued
}

// telling is an active alarm that was told, and when last.
type telling struct {
	last  time.Time
	alarm alarm.Active
}

// queueName is where the store keeps what a receiver is to be told, and toldName
// which alarms it was told are active.
func queueName(receiver string) string { return "alarms_to/" + receiver }
func toldName(receiver string) string  { return "alarms_told/" + receiver }

// newEvents carries on from what an earlier run left in the store.
func newEvents(from identity, r Receiver, store Store, clockSet func() bool, format func(Message) []byte) (*events, error) {
	e := &events{from: from, receiver: r, store: store, clockSet: clockSet, format: format, told: map[string]*telling{}}
	if store == nil {
		return e, nil
	}
	var fault error
	err := store.Queued(queueName(r.Name), func(n uint64, item []byte) {
		var m Message
		if err := json.Unmarshal(item, &m); err != nil {
			fault = fmt.Errorf("receiver %q: message %d: %w", r.Name, n, err)
			return
		}
		// Whether it had begun is not known, so it stays byte for byte as it is.
		e.queue = append(e.queue, &entry{number: n, message: m, lasting: true, firm: true, begun: true})
		e.number = max(e.number, n)
	})
	if err != nil {
		return e, err
	}
	var told map[string]alarm.Active
	if _, err := store.State(toldName(r.Name), &told); err != nil {
		return e, err
	}
	now := time.Now()
	for id, a := range told {
		// When it was last told is not known: soon, but not at once, or an agent that
		// starts over and over would tell nothing else.
		e.told[id] = &telling{last: now.Add(remindAfterStart - r.RepeatEvery), alarm: a}
	}
	return e, fault
}

func (e *events) publish(changes []alarm.Change, active []alarm.Active, now time.Time) {
	before := len(e.told)
	news := false
	for _, c := range changes {
		if !e.receiver.wants(c.Alarm.Severity) {
			continue
		}
		news = true
		if c.Raised {
			m := e.from.message(c.Alarm, Raised)
			m.Because = c.Because
			e.told[c.Alarm.ID] = &telling{last: now, alarm: c.Alarm}
			e.put(m, 0, now)
			continue
		}
		m := e.from.message(c.Alarm, Cleared)
		m.Because, m.ClearedAt = c.Because, stamp(c.At.Wall)
		m.ClockKnown = m.ClockKnown && c.ClockSet
		delete(e.told, c.Alarm.ID)
		e.put(m, max(c.At.Up-c.Alarm.Raised.Up, 0), now)
	}
	present := map[string]bool{}
	for _, a := range active {
		if !e.receiver.wants(a.Severity) {
			continue
		}
		present[a.ID] = true
		t := e.told[a.ID]
		switch {
		case t == nil: // raised when this receiver was not there yet
			news = true
			m := e.from.message(a, Raised)
			m.Reminder = true
			t = &telling{last: now}
			e.told[a.ID] = t
			e.put(m, 0, now)
		case t.alarm.Acknowledged != nil && a.Acknowledged == nil && e.receiver.QuietWhenAcknowledged:
			t.alarm, t.last = a, now
			e.remind(t, now)
		}
		t.alarm = a
	}
	for id, t := range e.told {
		if present[id] {
			continue
		}
		// Its end fell between two runs, and its clearing was never queued.
		news = true
		m := e.from.message(t.alarm, Cleared)
		m.Because, m.ClearedAt = "it was no longer active when the agent started", stamp(e.from.right(now))
		m.ClockKnown = m.ClockKnown && e.clockSet()
		delete(e.told, id)
		e.put(m, 0, now)
	}
	if news || len(e.told) != before {
		e.keepTold()
	}
}

func (e *events) keepTold() {
	if e.store == nil {
		return
	}
	told := map[string]alarm.Active{}
	for id, t := range e.told {
		told[id] = t.alarm
	}
	// What the store can't take it tells in its own status; the receiver is told all the same.
	_ = e.store.PutState(toldName(e.receiver.Name), told)
}

// put queues what must arrive.
func (e *events) put(m Message, age time.Duration, now time.Time) {
	// A reminder that waits is older than what comes now.
	e.queue = slices.DeleteFunc(e.queue, func(w *entry) bool { return !w.lasting && !w.begun })
	e.number++
	w := &entry{number: e.number, message: m, lasting: true, firm: e.store == nil, queued: now, age: age}
	e.queue = append(e.queue, w)
	if e.store != nil {
		_ = e.store.Enqueue(queueName(e.receiver.Name), w.number, m) // as above
	}
	if len(e.queue) > mostItems {
		e.lost++
		e.remove(e.leastWanted())
	}
}

// leastWanted is the oldest of the least severe.
func (e *events) leastWanted() *entry {
	order := []alarm.Severity{alarm.Notice, alarm.Warning, alarm.Critical}
	return slices.MinFunc(e.queue, func(a, b *entry) int {
		return slices.Index(order, a.message.Severity) - slices.Index(order, b.message.Severity)
	})
}

func (e *events) remove(w *entry) {
	i := slices.Index(e.queue, w)
	if i < 0 {
		return
	}
	e.queue = slices.Delete(e.queue, i, i+1)
	if e.store != nil && w.lasting {
		e.store.Dequeue(queueName(e.receiver.Name), w.number)
	}
}

// remind queues the alarm again, in its present words.
func (e *events) remind(t *telling, now time.Time) {
	e.reminders++
	m := e.from.message(t.alarm, Raised)
	m.Reminder = true
	m.MessageID = fmt.Sprintf("%s-reminder-%s-%d", t.alarm.ID, e.from.run, e.reminders)
	e.queue = append(e.queue, &entry{message: m, firm: true, queued: now})
}

// quiet says whether reminders of this alarm are held back.
func (e *events) quiet(t *telling) bool {
	return t.alarm.Acknowledged != nil && e.receiver.QuietWhenAcknowledged
}

func (e *events) take(now time.Time) (*job, time.Duration) {
	wait := noWait
	if len(e.queue) == 0 && e.receiver.RepeatEvery > 0 {
		// Only with an empty queue: an outage must not pile up reminders.
		for _, t := range e.told {
			due := e.receiver.RepeatEvery - now.Sub(t.last)
			switch {
			case e.quiet(t):
			case due <= 0:
				t.last = now
				e.remind(t, now)
			default:
				wait = min(wait, due)
			}
		}
	}
	for len(e.queue) > 0 {
		head := e.queue[0]
		if !head.begun && !e.freshen(head) {
			e.queue = e.queue[1:]
			continue
		}
		return &job{
			body: e.format(head.message), message: head.message, firm: head.firm, lasting: head.lasting && e.store != nil,
			firmed: func() { head.firm = true },
			settle: func(o outcome, now time.Time) { e.settle(head, o, now) },
		}, 0
	}
	return nil, wait
}

// freshen puts right what may still be put right, since nobody has seen it: the time
// of what happened before the clock was set, and the words of a reminder. It reports
// whether the message is wanted at all.
func (e *events) freshen(w *entry) bool {
	if !w.lasting {
		t := e.told[w.message.ID]
		if t == nil || e.quiet(t) {
			return false
		}
		id := w.message.MessageID
		w.message = e.from.message(t.alarm, Raised)
		w.message.Reminder, w.message.MessageID = true, id
		return true
	}
	if w.message.ClockKnown || w.queued.IsZero() || !e.clockSet() {
		return true
	}
	at := e.from.right(w.queued)
	w.message.RaisedAt, w.message.ClockKnown = stamp(at.Add(-w.age)), true
	if w.message.State == Cleared {
		w.message.ClearedAt = stamp(at)
	}
	if e.store != nil {
		w.firm = false
		_ = e.store.Enqueue(queueName(e.receiver.Name), w.number, w.message) // as in put
	}
	return true
}

func (e *events) settle(sent *entry, o outcome, now time.Time) {
	if !slices.Contains(e.queue, sent) {
		return // dropped meanwhile, to make room
	}
	sent.begun = sent.begun || o.begun
	if o.again() {
		if !o.begun { // it does not even get there: an outage, however long, loses nothing
			sent.failing = time.Time{}
			return
		}
		if sent.failing.IsZero() {
			sent.failing = now
		}
		// One message that a receiver chokes on must not hold up the others for ever.
		if now.Sub(sent.failing) < keepFor || len(e.queue) == 1 {
			return
		}
	}
	if o.err != nil && !o.delivered {
		e.lost++
	}
	e.remove(sent)
}

func (e *events) waiting() int    { return len(e.queue) }
func (e *events) dropped() uint64 { return e.lost }

// abandon is the end of the run: what is in the store is delivered by the next.
func (e *events) abandon() {
	e.queue = slices.DeleteFunc(e.queue, func(w *entry) bool {
		if w.lasting && e.store == nil {
			e.lost++
		}
		return !w.lasting || e.store == nil
	})
}

func (e *events) beat(now time.Time) []byte {
	return e.format(e.from.alive(now, e.clockSet(), len(e.told)))
}

func (e *events) trial(now time.Time) []byte { return e.format(e.from.trial(now, e.clockSet())) }
