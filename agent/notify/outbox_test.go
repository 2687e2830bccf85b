package notify

import (
	"bytes"
	"errors"
	"fmt"
	"net/http"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"candlemark/agent/alarm"
	"candlemark/agent/journal"
)

// offline is a receiver that cannot be reached until the time is up.
func offline(until time.Time) *fake {
	f := &fake{}
	f.answer = func(int, *http.Request) (*http.Response, error) {
		if time.Now().Before(until) {
			return nil, errors.New("network is unreachable")
		}
		return respond(200)
	}
	return f
}

// stored makes a notifier with a store.
func stored(t *testing.T, f *fake, d Store, run string, r Receiver, clockSet func() bool) *Notifier {
	t.Helper()
	n, err := New(Config{Relay: "relay-1", Site: "site-1", Run: run, Receivers: []Receiver{r}, Store: d, ClockSet: clockSet,
		Client: &http.Client{Transport: f}, Problem: func(err error) { t.Error(err) }})
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func TestRaisedOfflineIsDeliveredLaterInOrderWithItsOwnTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := offline(time.Now().Add(72 * time.Hour))
		n := stored(t, f, newDisk(), "run1", webhook(), nil)
		a, b := shut("1"), raised("2", alarm.HopDown, alarm.Warning, "terminal")
		n.Publish(raise(a), list(a))
		go func() {
			time.Sleep(time.Hour)
			n.Publish(raise(b), list(a, b))
			time.Sleep(time.Hour)
			n.Publish(cleared(a), list(b))
		}()
		runFor(t, n, 73*time.Hour)
		var told []string
		for _, m := range f.messages(t)[len(f.requests())-3:] {
			at, ok := m.at()
			told = append(told, fmt.Sprint(m.MessageID, " ", at.Format("15:04"), " ", ok))
		}
		if diff := cmp.Diff([]string{"1-raised 00:00 true", "2-raised 00:00 true", "1-cleared 02:00 true"}, told); diff != "" {
			t.Error(diff)
		}
		if s := n.Status()[0]; s.Dropped != 0 || s.Waiting != 0 {
			t.Errorf("%+v", s)
		}
	})
}

func TestNothingIsSentBeforeItIsOnTheDisk(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDisk()
		f := &fake{answer: func(i int, _ *http.Request) (*http.Response, error) {
			waits := 0
			_ = d.crash().Queued(queueName("hook"), func(uint64, []byte) { waits++ })
			if waits != 1 {
				t.Errorf("while message %d is sent %d are on the disk, want it alone", i, waits)
			}
			return respond(200)
		}}
		n := stored(t, f, d, "run1", webhook(), nil)
		go func() {
			a := shut("1")
			n.Publish(raise(a), list(a))
			time.Sleep(time.Second)
			n.Publish(cleared(a), nil)
		}()
		runFor(t, n, time.Minute)
		if len(f.requests()) != 2 {
			t.Errorf("%d sent", len(f.requests()))
		}
		_ = d.crash().Queued(queueName("hook"), func(uint64, []byte) { t.Error("what was delivered is still on the disk") })
	})
}

func TestADiskThatFailsOrHangsKeepsNoAlarmFromBeingTold(t *testing.T) {
	for name, d := range map[string]*disk{"fails": {broken: true}, "hangs": {slow: time.Hour}} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				d.put, d.kept = map[string][]byte{}, map[string][]byte{}
				f := codes(200)
				n := stored(t, f, d, "run1", webhook(), nil)
				start := time.Now()
				a := shut("1")
				n.Publish(raise(a), list(a))
				runFor(t, n, time.Minute)
				if r := f.requests(); len(r) != 1 || r[0].at.Sub(start) > syncMost {
					t.Errorf("told %d times, %v", len(r), r)
				}
			})
		})
	}
}

func TestRestart(t *testing.T) {
	a := alarm.Active{ID: "b1-link_down-board-1", Name: alarm.LinkDown, Severity: alarm.Critical, Title: "the link is down", Action: "check it", ClockSet: true}
	cases := []struct {
		name   string
		before func(n *Notifier)
		up     bool // the receiver, in the first run
		after  []alarm.Active
		want   []string // message ids of the second run
	}{
		{"raised and not delivered", func(n *Notifier) { n.Publish(raise(a), list(a)) }, false, list(a), []string{a.ID + "-raised"}},
		{"raised and delivered: no second time", func(n *Notifier) { n.Publish(raise(a), list(a)) }, true, list(a), nil},
		{"raised, cleared, neither delivered", func(n *Notifier) {
			n.Publish(raise(a), list(a))
			n.Publish(cleared(a), nil)
		}, false, nil, []string{a.ID + "-raised", a.ID + "-cleared"}},
		{"gone while the agent was not there", func(n *Notifier) { n.Publish(raise(a), list(a)) }, true, nil, []string{a.ID + "-cleared"}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				d := newDisk()
				f := codes(200)
				if !c.up {
					f = offline(time.Now().Add(time.Hour))
				}
				n := stored(t, f, d, "run1", webhook(), nil)
				c.before(n)
				runFor(t, n, time.Minute)
				first := f.requests()
				f = codes(200)
				n = stored(t, f, d.crash(), "run2", webhook(), nil)
				n.Publish(nil, c.after)
				n.Publish(nil, c.after)
				runFor(t, n, time.Minute)
				var got []string
				for i, m := range f.messages(t) {
					got = append(got, m.MessageID)
					if len(first) > 0 && !c.up && i == 0 && !bytes.Equal(f.requests()[0].body, first[0].body) {
						t.Errorf("not byte for byte the same:\n%s\n%s", first[0].body, f.requests()[0].body)
					}
				}
				if diff := cmp.Diff(c.want, got); diff != "" {
					t.Error(diff)
				}
			})
		})
	}
}

func TestRemindersAfterARestartComeSoonUnderIdsOfTheirOwn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := webhook()
		r.RepeatEvery = 15 * time.Minute
		a := shut("1")
		d, ids := newDisk(), map[string]bool{}
		for i := range 3 {
			f := codes(200)
			n := stored(t, f, d, fmt.Sprint("run", i), r, nil)
			if i == 0 {
				n.Publish(raise(a), list(a))
			} else {
				n.Publish(nil, list(a))
			}
			runFor(t, n, 5*time.Minute)
			for _, m := range f.messages(t) {
				if ids[m.MessageID] || m.Reminder != (i > 0) {
					t.Errorf("run %d: %+v", i, m)
				}
				ids[m.MessageID] = true
			}
			d = d.crash()
		}
		if len(ids) != 3 {
			t.Errorf("told %v, want the raising and a reminder after each restart", ids)
		}
	})
}

func TestAClockThatIsSetLaterPutsTheTimeRightUntilSomebodyHasSeenIt(t *testing.T) {
	for _, c := range []struct {
		name    string
		reached bool // the receiver gets it and does not take it before the clock is set
		want    string
		known   bool
	}{
		{"nobody has seen it", false, "2000-01-01T00:00:00Z", true},
		{"it may have arrived", true, "1970-01-01T00:00:00Z", false},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				set := time.Now().Add(time.Hour)
				f := &fake{answer: func(int, *http.Request) (*http.Response, error) {
					switch {
					case time.Now().After(set):
						return respond(200)
					case c.reached:
						return respond(503)
					}
					return nil, errors.New("network is unreachable")
				}}
				n := stored(t, f, newDisk(), "run1", webhook(), func() bool { return time.Now().After(set) })
				a := shut("1")
				a.ClockSet, a.Raised.Wall = false, time.Unix(0, 0)
				n.Publish(raise(a), list(a))
				runFor(t, n, 2*time.Hour)
				messages := f.messages(t)
				if m := messages[len(messages)-1]; m.RaisedAt != c.want || m.ClockKnown != c.known {
					t.Errorf("at last told %s, clock known %v; want %s, %v", m.RaisedAt, m.ClockKnown, c.want, c.known)
				}
			})
		})
	}
}

func TestAFullOutboxDropsTheOldestOfTheLeastSevere(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDisk()
		f := offline(time.Now().Add(time.Hour))
		n := stored(t, f, d, "run1", webhook(), nil)
		var all []alarm.Active
		add := func(id string, s alarm.Severity) {
			a := raised(id, alarm.HopDown, s, id)
			all = append(all, a)
			n.Publish(raise(a), all)
		}
		add("first", alarm.Critical)
		add("n1", alarm.Notice)
		add("n2", alarm.Notice)
		for i := range mostItems {
			add(fmt.Sprint("w", i), alarm.Warning)
		}
		add("last", alarm.Notice) // there is nothing less severe than it
		runFor(t, n, 2*time.Hour)
		got := map[string]bool{}
		for _, m := range f.messages(t) {
			got[m.ID] = true
		}
		want := map[string]bool{"first": true, "w0": false, "w1": true, fmt.Sprint("w", mostItems-1): true, "n1": false, "n2": false, "last": false}
		for id, told := range want {
			if got[id] != told {
				t.Errorf("%s told: %v, want %v", id, got[id], told)
			}
		}
		if s := n.Status()[0]; s.Dropped != 4 {
			t.Errorf("%d counted as dropped, want n1, n2, w0 and last", s.Dropped)
		}
	})
}

func TestQuietWhenAcknowledged(t *testing.T) {
	for _, quiet := range []bool{true, false} {
		synctest.Test(t, func(t *testing.T) {
			f := codes(200)
			r := webhook()
			r.RepeatEvery, r.QuietWhenAcknowledged = 10*time.Minute, quiet
			running(t, f, r, func(n *Notifier) {
				a := shut("1")
				n.Publish(raise(a), list(a))
				time.Sleep(time.Minute)
				known := a
				known.Acknowledged = &alarm.Acknowledged{Who: "me"}
				n.Publish(nil, list(known))
				time.Sleep(29*time.Minute + time.Second)
				n.Publish(nil, list(a)) // the quiet is over
				time.Sleep(time.Second)
				n.Publish(cleared(a), nil)
			})
			var at []string
			for _, g := range f.requests() {
				at = append(at, g.at.Format("04:05"))
			}
			want := []string{"00:00", "10:00", "20:00", "30:00", "30:02"}
			if quiet {
				want = []string{"00:00", "30:01", "30:02"}
			}
			if diff := cmp.Diff(want, at); diff != "" {
				t.Errorf("quiet %v: %s", quiet, diff)
			}
		})
	}
}

// The real journal, closed and opened between raising and delivery.
func TestTheJournalKeepsWhatWaits(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j.db")
	open := func() *journal.Journal {
		j, err := journal.Open(path, journal.Options{})
		if err != nil {
			t.Fatal(err)
		}
		return j
	}
	j := open()
	var bodies [2][]byte
	a := shut("1")
	for i := range bodies {
		f := codes(500)
		if i == 1 {
			f = codes(200)
		}
		n := stored(t, f, j, fmt.Sprint("run", i), webhook(), nil)
		if i == 0 {
			n.Publish(raise(a), list(a))
		} else {
			n.Publish(nil, list(a))
		}
		runFor(t, n, 300*time.Millisecond)
		if requests := f.requests(); len(requests) > 0 {
			bodies[i] = requests[0].body
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
		j = open()
	}
	defer j.Close()
	if bodies[0] == nil || !bytes.Equal(bodies[0], bodies[1]) {
		t.Errorf("sent %s, and after a restart %s", bodies[0], bodies[1])
	}
	if err := j.Queued(queueName("hook"), func(uint64, []byte) { t.Error("still kept after it was delivered") }); err != nil {
		t.Error(err)
	}
}
