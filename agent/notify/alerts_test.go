package notify

import (
	"net/http"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"candlemark/agent/alarm"
)

func parse(t *testing.T, text string) time.Time {
	t.Helper()
	at, err := time.Parse(time.RFC3339, text)
	if err != nil {
		t.Fatal(err)
	}
	return at
}

func TestAlertmanagerIsToldTheLevel(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := codes(200)
		running(t, f, alertmanager(), func(n *Notifier) {
			a := shut("1")
			n.Publish(raise(a), list(a))
			for range 150 { // steps that change nothing
				time.Sleep(time.Second)
				n.Publish(nil, list(a))
			}
			n.Publish(cleared(a), nil)
			time.Sleep(time.Hour)
		})
		want := alert{
			Labels:       map[string]string{"alertname": "shut_terminal_down", "severity": "critical", "relay": "relay-1", "site": "site-1", "subject": "A"},
			Annotations:  map[string]string{"summary": "title of 1", "description": "do it", "alarm_id": "1"},
			StartsAt:     "2000-01-01T00:00:00.000Z",
			EndsAt:       "2000-01-01T00:04:00.000Z",
			GeneratorURL: "http://relay.test/",
		}
		if diff := cmp.Diff([]alert{want}, f.alerts(t, 0)); diff != "" {
			t.Error(diff)
		}
		requests := f.requests()
		if requests[0].url != "http://am.test/base/api/v2/alerts" {
			t.Errorf("posted to %s", requests[0].url)
		}
		if len(requests) != 4 {
			t.Fatalf("%d posts, want at 0, 1 and 2 min and one at the clearing", len(requests))
		}
		for i, at := range []time.Duration{0, time.Minute, 2 * time.Minute, 150 * time.Second} {
			if got := requests[i].at.Sub(requests[0].at); got != at {
				t.Errorf("post %d after %v, want %v", i, got, at)
			}
		}
		last := f.alerts(t, 3)
		if len(last) != 1 || last[0].EndsAt != "2000-01-01T00:02:30.000Z" || last[0].Annotations["because"] != "swapped" {
			t.Errorf("clearing %+v", last)
		}
	})
}

func TestAlertmanagerOutage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := codes(500, 500, 500, 200)
		a, b := shut("1"), raised("2", alarm.HopDown, alarm.Warning, "terminal")
		status := running(t, f, alertmanager(), func(n *Notifier) {
			n.Publish(raise(a), list(a))
			synctest.Wait()
			n.Publish(raise(b), list(a, b))
			n.Publish(cleared(a), list(b))
			again := shut("3")
			n.Publish(raise(again), list(again, b)) // supersedes the clearing
			n.Publish(cleared(b), list(again))
			time.Sleep(30 * time.Second)
		})
		var words []string
		for _, al := range f.alerts(t, 3) {
			state := "active"
			if parse(t, al.EndsAt).Before(time.Now()) {
				state = "cleared"
			}
			words = append(words, al.Annotations["alarm_id"]+" "+state)
		}
		slices.Sort(words)
		if diff := cmp.Diff([]string{"2 cleared", "3 active"}, words); diff != "" {
			t.Error(diff)
		}
		if status.Dropped != 0 || status.Failures != 3 || len(f.requests()) != 4 {
			t.Errorf("%+v", status)
		}
	})
}

func TestClearingIsGivenUpAfterAnHour(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := codes(500)
		running(t, f, alertmanager(), func(n *Notifier) {
			a := shut("1")
			n.Publish(raise(a), list(a))
			n.Publish(cleared(a), nil)
			time.Sleep(61 * time.Minute)
			got := n.Status()[0]
			if got.Waiting != 0 || got.Dropped != 1 {
				t.Errorf("after an hour %+v", got)
			}
			time.Sleep(time.Hour)
			if later := n.Status()[0]; later.Attempts != got.Attempts {
				t.Errorf("%d attempts after giving up", later.Attempts-got.Attempts)
			}
		})
	})
}

func TestRefusedAlertsArePostedAtTheNextResend(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := codes(400, 200)
		running(t, f, alertmanager(), func(n *Notifier) {
			a := shut("1")
			n.Publish(raise(a), list(a))
			time.Sleep(90 * time.Second)
		})
		requests := f.requests()
		if len(requests) != 2 || requests[1].at.Sub(requests[0].at) != time.Minute {
			t.Errorf("%d posts", len(requests))
		}
	})
}

func TestWrongClock(t *testing.T) {
	// The board believes it is 2000 (synctest's clock); the Alertmanager is in 2026.
	const there = "Wed, 25 Nov 2026 08:00:00 GMT"
	answer := func(int, *http.Request) (*http.Response, error) { return respond(200, "Date", there) }

	t.Run("not set: no times of ours, then by the receiver's clock", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			f := &fake{answer: answer}
			running(t, f, alertmanager(), func(n *Notifier) {
				a := shut("1")
				a.ClockSet = false
				n.Publish(raise(a), list(a))
				time.Sleep(90 * time.Second)
				n.Publish(cleared(a), nil)
			})
			if first := f.alerts(t, 0)[0]; first.StartsAt != "" || first.EndsAt != "" {
				t.Errorf("first %+v", first)
			}
			// One minute after the answer of 08:00:00, plus four.
			if second := f.alerts(t, 1)[0]; second.StartsAt != "" || second.EndsAt != "2026-11-25T08:05:00.000Z" {
				t.Errorf("second %+v", second)
			}
			// The fake's clock stands, so the last answer came 30 s ago.
			if third := f.alerts(t, 2)[0]; third.EndsAt != "2026-11-25T08:00:30.000Z" {
				t.Errorf("third %+v", third)
			}
		})
	})
	t.Run("back before the raising after a restart", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			f := &fake{answer: answer}
			running(t, f, alertmanager(), func(n *Notifier) {
				a := shut("1")
				a.Raised.Wall = parse(t, "2026-11-25T07:00:00Z")
				n.Publish(nil, list(a))
				time.Sleep(90 * time.Second)
			})
			if first := f.alerts(t, 0)[0]; first.StartsAt != "" || first.EndsAt != "" {
				t.Errorf("first %+v", first)
			}
			if second := f.alerts(t, 1)[0]; second.StartsAt != "2026-11-25T07:00:00.000Z" || second.EndsAt != "2026-11-25T08:05:00.000Z" {
				t.Errorf("second %+v", second)
			}
		})
	})
}

func TestNothingActivePostsNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := codes(200)
		running(t, f, alertmanager(), func(n *Notifier) {
			n.Publish(nil, nil)
			time.Sleep(time.Hour)
		})
		if len(f.requests()) != 0 {
			t.Errorf("%d posts", len(f.requests()))
		}
	})
}

func TestWhatHappensDuringAPostIsToldByTheNext(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &fake{answer: func(int, *http.Request) (*http.Response, error) {
			time.Sleep(5 * time.Second)
			return respond(200)
		}}
		running(t, f, alertmanager(), func(n *Notifier) {
			a := shut("1")
			n.Publish(raise(a), list(a))
			time.Sleep(time.Second)
			n.Publish(cleared(a), nil)
			time.Sleep(time.Hour)
		})
		if len(f.requests()) != 2 {
			t.Fatalf("%d posts, want 2", len(f.requests()))
		}
		if second := f.alerts(t, 1); len(second) != 1 || second[0].EndsAt != "2000-01-01T00:00:05.000Z" {
			t.Errorf("second %+v", second)
		}
	})
}
