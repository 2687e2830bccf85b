package agent

import (
	"time"

	"github.com/rs/zerolog"

	"candlemark/agent/alarm"
	"candlemark/agent/journal"
)

// Record keepers and receivers as the teller needs them.
type (
	// Keeper is the journal.
	Keeper interface {
		PutPackState(name string, v any) error
		PutProfile(identity string, v any) error
		PutState(key string, v any) error
		Append(journal.Record) journal.Record
		// Hurry has what was appended committed soon, without waiting for it.
		Hurry()
	}
	// Receivers is the alarm delivery. Publish never blocks.
	Receivers interface {
		Publish(changes []alarm.Change, active []alarm.Active)
	}
)

// The journal keys of what is not a pack.
const (
	KeyAlarms = "alarms"
	KeyBudget = "data_budget"
	KeyFeed   = "feed"
)

// teller performs effects. It runs on the loop's goroutine, so nothing here may wait.
type teller struct {
	log      zerolog.Logger
	keep     Keeper
	receive  Receivers
	probes   *prober
	powerOff func(why string)
	actuate  Actuator // nil without a feed
	tickets  tickets
	bootUp   time.Duration // the board's uptime when the agent started
}

func (t *teller) perform(effects []Effect) {
	for _, e := range effects {
		switch e := e.(type) {
		case Announce:
			t.announce(e)
		case StartProbe:
			if err := t.probes.start(e); err != nil {
				t.log.Warn().Str(logTarget, e.Name).Err(err).Msg("probe put off")
			}
		case Record:
			t.record(e)
		case SavePack:
			t.kept(t.keep.PutPackState(e.Pack, e.State))
		case SaveProfile:
			t.kept(t.keep.PutProfile(e.Identity, e.Known))
		case SaveAlarms:
			t.kept(t.keep.PutState(KeyAlarms, e.State))
		case SaveBudget:
			t.kept(t.keep.PutState(KeyBudget, e.State))
			if e.Urgent {
				t.keep.Hurry()
			}
		case SaveFeed:
			t.kept(t.keep.PutState(KeyFeed, e.State))
		case SwitchFeed:
			t.actuate.Want(e.On)
		case RunFeedHook:
			t.actuate.Hook(e.Name, e.Cause)
		case Answer:
			t.tickets.give(e)
		case PowerOff:
			t.log.Error().Str(logWhy, e.Why).Msg("shutting this board down before its pack is flat")
			t.powerOff(e.Why)
		}
	}
}

// announce says alarms in the log and hands them to the receivers.
func (t *teller) announce(a Announce) {
	for _, c := range a.Changes {
		ev := t.log.Info()
		msg := "alarm cleared: " + c.Alarm.Title
		if c.Raised {
			msg = "alarm: " + c.Alarm.Title
			ev = t.log.Warn()
			if c.Alarm.Severity == alarm.Critical {
				ev = t.log.Error()
			}
			ev = ev.Str(logAction, c.Alarm.Action)
		}
		ev.Str(logAlarm, string(c.Alarm.Name)).Str(logSubject, c.Alarm.Subject).Str(logID, c.Alarm.ID).Str(logWhy, c.Because).Msg(msg)
	}
	t.receive.Publish(a.Changes, a.Active)
}

func (t *teller) record(r Record) {
	rec := journal.Record{Wall: r.At.Wall, Up: t.bootUp + r.At.Up, Kind: r.Kind, Subject: r.Subject, Who: r.Who, Text: r.Text}
	t.keep.Append(rec) // what it can't take it counts and tells in its status
	if r.Urgent {
		t.keep.Hurry()
	}
	if r.Kind != journal.KindAlarm { // alarms have their own line
		level := zerolog.InfoLevel
		if r.Warn {
			level = zerolog.WarnLevel
		}
		t.log.WithLevel(level).Str(logKind, string(r.Kind)).Str(logSubject, r.Subject).Msg(r.Text)
	}
}

// kept reports what the journal could not take. The agent goes on: warning the
// operator matters more than the record, and the journal's own state tells the
// remote team.
func (t *teller) kept(err error) {
	if err != nil {
		t.log.Error().Err(err).Msg("journal")
	}
}
