package agent

import (
	"strings"
	"testing"
	"time"

	"candlemark/agent/alarm"
	"candlemark/agent/journal"
)

// lowRide is a ride whose pack has come to shut_terminal_down.
func lowRide(t *testing.T) (*ride, *drain) {
	r := newRide(t, testSetup(), Memory{})
	d := &drain{capacityAh: 4.6}
	for raised := false; !raised; _, raised = raisedAt(r.effects, alarm.ShutTerminalDown) {
		r.discharge(d, 50, time.Minute)
	}
	return r, d
}

func TestAnAcknowledgementIsRecordedSavedAnnouncedAndAnsweredInThisOrder(t *testing.T) {
	r, _ := lowRide(t)
	effects := r.send(AckAsked{At: r.at(), Who: "ida", Request: AckRequest{Alarm: alarm.ShutTerminalDown, For: 4 * time.Minute}, Ticket: 7})
	var order []string
	for _, e := range effects {
		switch e := e.(type) {
		case SaveAlarms:
			order = append(order, "saved")
			if n := len(e.State.Alarms); n != 2 || e.State.Alarms[1].Acknowledged == nil {
				t.Errorf("saved %+v", e.State.Alarms)
			}
		case Record:
			order = append(order, "recorded")
			if e.Kind != journal.KindAlarm || e.Who != "ida" || e.Subject != "shut_terminal_down terminal" || !e.Urgent ||
				e.Text != "acknowledged: quiet for 4 min at most; it comes back sooner if it gets worse" {
				t.Errorf("record %+v", e)
			}
		case Announce:
			order = append(order, "announced")
			if a := e.Active[0]; a.Acknowledged == nil || a.Acknowledged.Who != "ida" || len(e.Changes) != 0 || e.Active[1].Acknowledged != nil {
				t.Errorf("announced %+v", e)
			}
		case Answer:
			order = append(order, "answered")
			if e.Ticket != 7 || e.Refused != "" || !strings.HasPrefix(e.Text, "shut_terminal_down terminal: quiet for 4 min") {
				t.Errorf("answer %+v", e)
			}
		}
	}
	if got := strings.Join(order, " "); got != "saved recorded announced answered" {
		t.Errorf("order %s", got)
	}
}

func TestARefusedAcknowledgementChangesNothing(t *testing.T) {
	r, _ := lowRide(t)
	effects := r.send(AckAsked{At: r.at(), Request: AckRequest{Alarm: alarm.LinkDown}, Ticket: 3})
	if len(effects) != 1 {
		t.Fatalf("%d effects, want the answer alone: %+v", len(effects), effects)
	}
	if a := effects[0].(Answer); a.Ticket != 3 || !strings.Contains(a.Refused, "link_down is not active") {
		t.Errorf("%+v", a)
	}
}

func TestTheEndOfAQuietIsRecordedAndAnnounced(t *testing.T) {
	r, _ := lowRide(t)
	r.send(AckAsked{At: r.at(), Request: AckRequest{Alarm: alarm.ShutTerminalDown}})
	r.up += 5 * time.Minute
	effects := r.send(Tick{At: r.at(), ClockSet: true})
	if n := count(effects, func(e Record) bool {
		return e.Subject == "shut_terminal_down terminal" && strings.HasPrefix(e.Text, "no longer quiet: its quiet time is over")
	}); n != 1 {
		t.Errorf("%d records, want 1: %+v", n, effects)
	}
	if n := count(effects, func(e Announce) bool { return e.Active[0].Acknowledged == nil }); n != 1 {
		t.Errorf("%d announcements, want 1", n)
	}
}

func TestAnAlarmIsSavedBeforeItIsAnnounced(t *testing.T) {
	r, _ := lowRide(t)
	for i, e := range r.effects {
		if a, is := e.(Announce); is && len(a.Changes) > 0 {
			before := r.effects[max(0, i-1-2*len(a.Changes)):i]
			if count(before, func(SaveAlarms) bool { return true }) == 0 {
				t.Errorf("announced before it was saved: %+v", a.Changes)
			}
		}
	}
}
