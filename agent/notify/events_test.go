package notify

import (
	"context"
	"fmt"
	"net/http"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"candlemark/agent/alarm"
)

func TestWebhookIsToldRaisingAndClearing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := codes(200)
		// synctest begins at midnight UTC 2000-01-01.
		status := running(t, f, webhook(), func(n *Notifier) {
			a := shut("1")
			n.Publish(raise(a), list(a))
			n.Publish(nil, list(a)) // nothing new
			time.Sleep(time.Minute)
			n.Publish(cleared(a), nil)
		})
		first := Message{Version: 1, ID: "1", Name: alarm.ShutTerminalDown, Severity: alarm.Critical, State: Raised,
			Relay: "relay-1", Site: "site-1", Subject: "A", Title: "title of 1", Action: "do it", Because: "low",
			RaisedAt: "2000-01-01T00:00:00Z", ClockKnown: true, MessageID: "1-raised"}
		second := first
		second.State, second.Because, second.ClearedAt, second.MessageID = Cleared, "swapped", "2000-01-01T00:01:00Z", "1-cleared"
		if diff := cmp.Diff([]Message{first, second}, f.messages(t)); diff != "" {
			t.Error(diff)
		}
		if status.Attempts != 2 || status.Failures+status.Dropped != 0 || status.Waiting != 0 || status.LastError != "" {
			t.Errorf("%+v", status)
		}
	})
}

func TestMessageKeysStayAsTheyAre(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := codes(200)
		n, err := New(Config{Relay: "relay-1", Site: "site-1", Receivers: []Receiver{webhook()}, Client: &http.Client{Transport: f}, ClockSet: func() bool { return false }})
		if err != nil {
			t.Fatal(err)
		}
		a := shut("1")
		a.ClockSet = false
		n.Publish(raise(a), list(a))
		runFor(t, n, time.Second)
		want := `{"version":1,"id":"1","name":"shut_terminal_down","severity":"critical","state":"raised","reminder":false,` +
			`"relay":"relay-1","site":"site-1","subject":"A","title":"title of 1","action":"do it","because":"low",` +
			`"raised_at":"2000-01-01T00:00:00Z","cleared_at":"","clock_known":false,"message_id":"1-raised"}`
		if diff := cmp.Diff(want, string(f.requests()[0].body)); diff != "" {
			t.Error(diff)
		}
	})
}

func TestWebhookRetriesWithBackOff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := codes(500, 503, 408, 500, 500, 500, 500, 204)
		status := running(t, f, webhook(), func(n *Notifier) {
			a := shut("1")
			n.Publish(raise(a), list(a))
			time.Sleep(5 * time.Minute)
		})
		requests := f.requests()
		if len(requests) != 8 {
			t.Fatalf("%d attempts, want 8", len(requests))
		}
		for i, base := range []time.Duration{1, 2, 4, 8, 16, 30, 30} {
			gap := requests[i+1].at.Sub(requests[i].at)
			if base *= time.Second; gap < base*3/4 || gap > base*5/4 {
				t.Errorf("pause %d is %v, want %v give or take a quarter", i, gap, base)
			}
		}
		if status.Failures != 7 || status.Dropped != 0 || status.LastError != "" {
			t.Errorf("%+v", status)
		}
	})
}

func TestAMessageThatTheReceiverChokesOnDoesNotHoldUpTheOthersForEver(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var well atomic.Bool
		f := &fake{answer: func(int, *http.Request) (*http.Response, error) {
			if well.Load() {
				return respond(200)
			}
			return respond(502)
		}}
		status := running(t, f, webhook(), func(n *Notifier) {
			a := shut("1")
			n.Publish(raise(a), list(a))
			time.Sleep(24 * time.Hour)
			synctest.Wait()
			if got := n.Status()[0]; got.Dropped != 0 || got.Waiting != 1 || !strings.Contains(got.LastError, "502 Bad Gateway") {
				t.Errorf("alone, after a day %+v", got)
			}
			n.Publish(cleared(a), nil)
			time.Sleep(time.Minute)
			synctest.Wait()
			if got := n.Status()[0]; got.Dropped != 1 || got.Waiting != 1 {
				t.Errorf("with another behind it %+v", got)
			}
			well.Store(true)
			time.Sleep(time.Minute)
		})
		messages := f.messages(t)
		if last := messages[len(messages)-1]; last.State != Cleared || status.Dropped != 1 {
			t.Errorf("last told %q, %+v", last.State, status)
		}
	})
}

func TestRefusalsAreFinal(t *testing.T) {
	for _, code := range []int{301, 307, 400, 401, 404, 422} {
		t.Run(fmt.Sprint(code), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				f := codes(code)
				status := running(t, f, webhook(), func(n *Notifier) {
					a := shut("1")
					n.Publish(raise(a), list(a))
					time.Sleep(time.Hour)
				})
				if status.Attempts != 1 || status.Failures != 1 || status.Dropped != 1 || status.Waiting != 0 {
					t.Errorf("%+v", status)
				}
				if !strings.Contains(status.LastError, fmt.Sprint(code)) || !strings.Contains(status.LastError, `"hook"`) {
					t.Errorf("error %q", status.LastError)
				}
				if strings.ContainsAny(status.LastError, "\x1b") || strings.Contains(status.LastError, "secret-path") {
					t.Errorf("error %q", status.LastError)
				}
			})
		})
	}
}

func TestRetryAfterIsKept(t *testing.T) {
	date := "Sat, 01 Jan 2000 06:00:00 GMT" // the receiver's clock is six hours ahead
	cases := []struct {
		name   string
		header []string
		least  time.Duration
		most   time.Duration
	}{
		{"seconds", []string{"Retry-After", "120"}, 2 * time.Minute, 2 * time.Minute},
		{"a date, by the receiver's own clock", []string{"Date", date, "Retry-After", "Sat, 01 Jan 2000 06:03:00 GMT"}, 3 * time.Minute, 3 * time.Minute},
		{"a date that is past", []string{"Date", date, "Retry-After", "Sat, 01 Jan 2000 05:00:00 GMT"}, 750 * time.Millisecond, 1250 * time.Millisecond},
		{"a day is too long", []string{"Retry-After", "86400"}, 10 * time.Minute, 10 * time.Minute},
		{"nonsense", []string{"Retry-After", "-5 soon"}, 750 * time.Millisecond, 1250 * time.Millisecond},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				f := &fake{answer: func(i int, _ *http.Request) (*http.Response, error) {
					if i == 0 {
						return respond(429, c.header...)
					}
					return respond(200)
				}}
				running(t, f, webhook(), func(n *Notifier) {
					a := shut("1")
					n.Publish(raise(a), list(a))
					time.Sleep(time.Hour)
				})
				requests := f.requests()
				if len(requests) != 2 {
					t.Fatalf("%d attempts, want 2", len(requests))
				}
				if gap := requests[1].at.Sub(requests[0].at); gap < c.least || gap > c.most {
					t.Errorf("tried again after %v, want %v to %v", gap, c.least, c.most)
				}
			})
		})
	}
}

func TestFullQueueDropsTheOldest(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := hung()
		status := running(t, f, webhook(), func(n *Notifier) {
			var all []alarm.Active
			for i := range 300 {
				a := shut(fmt.Sprint(i))
				all = append(all, a)
				n.Publish(raise(a), all) // must not block
			}
			synctest.Wait()
			if got := n.Status()[0]; got.Waiting != mostItems || got.Dropped != 300-mostItems {
				t.Errorf("%+v", got)
			}
		})
		if status.Waiting != 0 || status.Dropped != 300 {
			t.Errorf("after the end %+v", status)
		}
	})
}

func TestHungReceiverHoldsUpNoOther(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &fake{answer: func(_ int, r *http.Request) (*http.Response, error) {
			if r.URL.Host == "well.test" {
				return respond(200)
			}
			<-r.Context().Done()
			return nil, r.Context().Err()
		}}
		ill, well := webhook(), webhook()
		ill.Timeout = 3 * time.Second
		well.Name, well.URL = "well", "http://well.test"
		n, err := New(Config{Relay: "relay-1", Receivers: []Receiver{ill, well}, Client: &http.Client{Transport: f}})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error)
		go func() { ended <- n.Run(ctx) }()
		defer func() { cancel(); <-ended }()
		a := shut("1")
		n.Publish(raise(a), list(a))
		synctest.Wait()
		if got := n.Status()[1]; got.Attempts != 1 || got.Failures != 0 {
			t.Errorf("the well one: %+v", got)
		}
		time.Sleep(3 * time.Second)
		synctest.Wait()
		if got := n.Status()[0]; got.Failures != 1 || !strings.Contains(got.LastError, "no answer within 3s") {
			t.Errorf("the hung one: %+v", got)
		}
	})
}

func TestOnlyTheWantedSeverities(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := codes(200)
		r := webhook()
		r.Severities = []alarm.Severity{alarm.Critical}
		running(t, f, r, func(n *Notifier) {
			a, b := shut("1"), raised("2", alarm.HopDown, alarm.Warning, "terminal")
			n.Publish(append(raise(a), raise(b)...), list(a, b))
			n.Publish(cleared(b), list(a))
		})
		if m := f.messages(t); len(m) != 1 || m[0].ID != "1" {
			t.Errorf("told %v", m)
		}
	})
}

func TestReminders(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := codes(200)
		r := webhook()
		r.RepeatEvery = 10 * time.Minute
		running(t, f, r, func(n *Notifier) {
			a := shut("1")
			n.Publish(raise(a), list(a))
			time.Sleep(35 * time.Minute)
			a.Title = "newer words"
			n.Publish(nil, list(a))
			time.Sleep(6 * time.Minute)
			n.Publish(cleared(a), nil)
			time.Sleep(time.Hour)
		})
		messages := f.messages(t)
		var words []string
		for _, m := range messages {
			words = append(words, fmt.Sprint(string(m.State), " ", m.Reminder, " ", m.Title))
		}
		want := []string{"raised false title of 1", "raised true title of 1", "raised true title of 1", "raised true title of 1",
			"raised true newer words", "cleared false newer words"}
		if diff := cmp.Diff(want, words); diff != "" {
			t.Error(diff)
		}
	})
}

func TestOutageDoesNotPileUpReminders(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := codes(500)
		r := webhook()
		r.RepeatEvery = time.Minute
		running(t, f, r, func(n *Notifier) {
			a := shut("1")
			n.Publish(raise(a), list(a))
			time.Sleep(50 * time.Minute)
			if got := n.Status()[0]; got.Waiting != 1 {
				t.Errorf("%d wait, want 1", got.Waiting)
			}
		})
	})
}

func TestAlarmFromBeforeTheReceiverWasThereIsToldAsAReminder(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := codes(200)
		running(t, f, webhook(), func(n *Notifier) {
			n.Publish(nil, list(shut("1")))
			n.Publish(nil, list(shut("1")))
		})
		if m := f.messages(t); len(m) != 1 || !m[0].Reminder || m[0].State != Raised {
			t.Errorf("told %v", m)
		}
	})
}

func TestStopDeliversWhatWaits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		slow := &fake{answer: func(int, *http.Request) (*http.Response, error) {
			time.Sleep(time.Second)
			return respond(200)
		}}
		status := running(t, slow, webhook(), func(n *Notifier) {
			var all []alarm.Active
			for i := range 4 {
				a := shut(fmt.Sprint(i))
				all = append(all, a)
				n.Publish(raise(a), all)
			}
		})
		if status.Attempts != 4 || status.Dropped != 0 || status.Failures != 0 {
			t.Errorf("%+v", status)
		}
	})
}

func TestStopDuringBackOffTriesOnceMore(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := codes(500)
		status := running(t, f, webhook(), func(n *Notifier) {
			a := shut("1")
			n.Publish(raise(a), list(a))
			time.Sleep(100 * time.Millisecond)
		})
		if status.Attempts != 2 || status.Dropped != 1 || status.Waiting != 0 {
			t.Errorf("%+v", status)
		}
	})
}

func TestOverflowDuringAPostSkipsNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &fake{answer: func(i int, _ *http.Request) (*http.Response, error) {
			if i == 0 {
				time.Sleep(5 * time.Second)
			}
			return respond(200)
		}}
		running(t, f, webhook(), func(n *Notifier) {
			var all []alarm.Active
			for i := range mostItems + 1 { // one more than fits pushes the first out
				a := shut(fmt.Sprint(i))
				all = append(all, a)
				n.Publish(raise(a), all)
				synctest.Wait()
			}
			time.Sleep(10 * time.Second)
		})
		messages := f.messages(t)
		for i, m := range messages {
			if m.ID != fmt.Sprint(i) {
				t.Fatalf("message %d is of alarm %s", i, m.ID)
			}
		}
		if len(messages) != mostItems+1 {
			t.Errorf("%d told, want %d", len(messages), mostItems+1)
		}
	})
}
