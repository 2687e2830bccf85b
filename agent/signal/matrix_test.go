package signal

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"candlemark/agent/alarm"
)

// set changes what the line does: nil and nil is well.
func (t *tape) set(fail error, hang chan struct{}) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.fail, t.hang = fail, hang
}

// Every alarm × buzzer and lamp × what can come between: heard and seen within its
// time. The receivers beyond the board have the same table in package notify.
func TestEveryAlarmIsHeardAndSeen(t *testing.T) {
	for _, e := range alarm.Catalogue() {
		for _, way := range []struct {
			name    string
			trouble func(t *tape, over chan struct{})
			until   time.Duration // when the lines are well, after the raising
			restart bool
		}{
			{"up", func(*tape, chan struct{}) {}, 0, false},
			{"the line fails, then works", func(t *tape, _ chan struct{}) { t.set(errors.New("no such device"), nil) }, time.Hour, false},
			{"the line hangs, then works", func(t *tape, over chan struct{}) { t.set(nil, over) }, 10 * time.Minute, false},
			{"the agent starts anew", func(t *tape, _ chan struct{}) { t.set(errors.New("no such device"), nil) }, time.Minute, true},
		} {
			t.Run(fmt.Sprint(e.Name, " ", way.name), func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					r := newRig(t, nil)
					synctest.Wait() // the lines were silenced at the start
					over := make(chan struct{})
					way.trouble(r.buzzer, over)
					way.trouble(r.lamp, over)
					r.p.Publish(nil, active(e.Name))
					time.Sleep(way.until)
					if way.restart {
						r.stop()
					}
					close(over) // before the tapes are asked: a hanging one holds its lock
					synctest.Wait()
					r.buzzer.set(nil, nil)
					r.lamp.set(nil, nil)
					if way.restart {
						p, err := New(r.p.cfg)
						if err != nil {
							t.Fatal(err)
						}
						r.p = p
						r.start()
						r.p.Publish(nil, active(e.Name))
					}
					well := time.Since(r.buzzer.zero)
					// A failing line is tried again with the next call, a hanging one goes on.
					within := urgentLater + 5*time.Second
					if e.Severity != alarm.Critical {
						within = warnEvery + 5*time.Second
					}
					if way.until == 0 || way.restart {
						within = 10 * time.Second
					}
					time.Sleep(within)
					synctest.Wait()
					r.stop()
					words, heard := Heard(e.Name, e.Severity), false
					for _, c := range r.buzzer.calls() {
						heard = heard || words != "" && strings.HasSuffix(c, ": "+words)
						if words == "" {
							t.Errorf("a notice was sounded: %s", c)
						}
					}
					if heard != (words != "") {
						t.Errorf("not heard %q within %v: %q", words, within, r.buzzer.calls())
					}
					seen := false
					for _, run := range r.lamp.all() {
						seen = seen || run.from >= well && run.from-well <= 10*time.Second
					}
					if !seen {
						t.Errorf("not seen within 10 s of %v: %v", well, r.lamp.all())
					}
				})
			})
		}
	}
}
