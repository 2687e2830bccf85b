package signal

import (
	"errors"
	"fmt"
	"os"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/goleak"
	"periph.io/x/conn/v3/gpio"

	"candlemark/agent/alarm"
	"candlemark/agent/status"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func TestUrgentIsRepeatedUntilAcknowledged(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, nil)
		defer r.stop()
		time.Sleep(time.Second)
		r.p.Publish(nil, active(alarm.ShutTerminalDown))
		time.Sleep(40 * time.Second)
		// Each call lasts 0.9 + 0.15 + 0.15 and three pauses of 0.25 s: 1.95 s.
		r.expect("1s: LONG short short", "18s: LONG short short", "34.9s: LONG short short")
		r.p.Publish(nil, acknowledged(active(alarm.ShutTerminalDown), alarm.ShutTerminalDown))
		time.Sleep(time.Hour)
		r.expect("1s: LONG short short", "18s: LONG short short", "34.9s: LONG short short")
		r.p.Publish(nil, active(alarm.ShutTerminalDown)) // the quiet is over: at once, and as often as at first
		time.Sleep(20 * time.Second)
		r.expect("1s: LONG short short", "18s: LONG short short", "34.9s: LONG short short", "1h0m41s: LONG short short", "1h0m58s: LONG short short")
	})
}

func TestUrgentSlowsDownAndNeverEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, nil)
		defer r.stop()
		r.p.Publish(nil, active(alarm.PackAtCutoff))
		time.Sleep(5 * time.Minute)
		early := len(r.buzzer.calls())
		time.Sleep(time.Hour)
		// 5 min by 16.55 s, and 60 min by 61.55 s: a call of one long and one short is 1.55 s.
		if later := len(r.buzzer.calls()) - early; early != 19 || later < 57 || later > 59 {
			t.Errorf("%d calls in 5 min and %d in the hour after", early, later)
		}
	})
}

func TestAcknowledgedInTheMiddleOfACall(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, nil)
		defer r.stop()
		r.p.Publish(nil, active(alarm.LinkDown))
		time.Sleep(400 * time.Millisecond)
		r.p.Publish(nil, acknowledged(active(alarm.LinkDown), alarm.LinkDown))
		time.Sleep(time.Minute)
		r.expect("0s: 400ms")
	})
}

func TestClearedAlarmFallsSilent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, nil)
		defer r.stop()
		r.p.Publish(nil, active(alarm.LinkDown))
		time.Sleep(10 * time.Second)
		r.p.Publish(nil, nil)
		time.Sleep(time.Hour)
		r.expect("0s: LONG short short short")
		before := len(r.lamp.all())
		time.Sleep(time.Hour)
		if len(r.lamp.all()) != before {
			t.Error("the lamp goes on")
		}
	})
}

func TestWarningsWaitForWhatIsUrgent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, nil)
		defer r.stop()
		r.p.Publish(nil, active(alarm.BringNextPack))
		time.Sleep(10 * time.Second)
		r.p.Publish(nil, active(alarm.PackAtCutoff, alarm.BringNextPack, alarm.HopDown))
		time.Sleep(5 * time.Second)
		r.p.Publish(nil, acknowledged(active(alarm.PackAtCutoff, alarm.BringNextPack, alarm.HopDown), alarm.PackAtCutoff))
		time.Sleep(5 * time.Minute)
		r.expect("0s: short LONG", "10s: LONG short", "15s: short short short LONG", "5m1.6s: short LONG")
	})
}

func TestTwoUrgentOnesTakeTurns(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, nil)
		defer r.stop()
		r.p.Publish(nil, active(alarm.ShutTerminalDown, alarm.LinkDown))
		time.Sleep(19 * time.Second)
		r.expect("0s: LONG short short", "4s: LONG short short short", "17s: LONG short short")
	})
}

func TestNoticesAreLeftToTheLamp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, nil)
		defer r.stop()
		r.p.Publish(nil, active(alarm.ClockNotSet))
		time.Sleep(time.Hour)
		r.expect()
		if n := len(r.lamp.all()); n != 720 {
			t.Errorf("%d blinks in an hour, want one every 5 s", n)
		}
	})
}

func TestLampShowsHowUrgentItIs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, nil)
		defer r.stop()
		flashes := func(in time.Duration) int {
			before := len(r.lamp.all())
			time.Sleep(in)
			synctest.Wait()
			return len(r.lamp.all()) - before
		}
		r.p.Publish(nil, active(alarm.BringNextPack))
		if n := flashes(time.Minute); n != 30 {
			t.Errorf("warning: %d flashes in a minute, want 30", n)
		}
		r.p.Publish(nil, active(alarm.LinkDown, alarm.BringNextPack))
		if n := flashes(time.Minute); n < 120 || n > 121 {
			t.Errorf("critical: %d flashes in a minute, want 120", n)
		}
		r.p.Publish(nil, acknowledged(active(alarm.LinkDown, alarm.BringNextPack), alarm.LinkDown, alarm.BringNextPack))
		if n := flashes(time.Minute); n < 12 || n > 13 {
			t.Errorf("acknowledged: %d flashes in a minute, want 12", n)
		}
	})
}

func TestQuietHours(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		night := true
		var mu sync.Mutex
		r := newRig(t, func(c *Config) {
			c.Quiet = func() bool { mu.Lock(); defer mu.Unlock(); return night }
		})
		defer r.stop()
		r.p.Publish(nil, active(alarm.BringNextPack))
		time.Sleep(time.Hour)
		r.expect("0s: short LONG")
		r.p.Publish(nil, active(alarm.ShutTerminalDown, alarm.BringNextPack))
		time.Sleep(20 * time.Second)
		r.expect("0s: short LONG", "1h0m0s: LONG short short", "1h0m17s: LONG short short")
		r.p.Publish(nil, acknowledged(active(alarm.ShutTerminalDown, alarm.BringNextPack), alarm.ShutTerminalDown))
		mu.Lock()
		night = false
		mu.Unlock()
		time.Sleep(2 * time.Minute)
		if all := r.buzzer.calls(); len(all) != 4 || !strings.HasSuffix(all[3], ": short LONG") {
			t.Errorf("after the night: %q", all)
		}
	})
}

func TestLampStaysBelowThreeFlashesASecond(t *testing.T) {
	// WCAG 2.2, success criterion 2.3.1: no more than three flashes in any second.
	for _, l := range []light{blink, slow, fast} {
		b := l.beat()
		if flashes := float64(time.Second) / float64(b.on+b.off); flashes > 3 {
			t.Errorf("light %d: %.1f flashes a second", l, flashes)
		}
	}
}

func TestSelfTestSaysWhatIsToBeHeard(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, nil)
		defer r.stop()
		want := []status.Trial{{Receiver: "buzzer", Answer: "should have sounded LONG short LONG"}, {Receiver: "lamp", Answer: "should have been lit for 3 s"}}
		if diff := cmp.Diff(want, r.p.Test(t.Context())); diff != "" {
			t.Error(diff)
		}
		time.Sleep(time.Minute)
		r.expect("0s: LONG short LONG")
		if diff := cmp.Diff([]run{{0, 3 * time.Second}}, r.lamp.all(), cmp.AllowUnexported(run{})); diff != "" {
			t.Error(diff)
		}
	})
}

func TestSelfTestDuringAnAlarm(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, nil)
		defer r.stop()
		r.p.Publish(nil, active(alarm.ShutTerminalDown))
		time.Sleep(500 * time.Millisecond)
		for _, got := range r.p.Test(t.Context()) {
			if got.Fault != "" {
				t.Error(got)
			}
		}
		time.Sleep(20 * time.Second)
		if all := r.buzzer.calls(); len(all) != 3 && !strings.Contains(strings.Join(all, "; "), "LONG short LONG") {
			t.Errorf("heard %q", all)
		}
	})
}

func TestSelfTestOfWhatDoesNotWork(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, nil)
		defer r.stop()
		synctest.Wait()
		r.buzzer.mu.Lock()
		r.buzzer.fail = errors.New("no such device")
		r.buzzer.mu.Unlock()
		if got := r.p.Test(t.Context()); !strings.Contains(got[0].Fault, "buzzer: no such device") || got[1].Fault != "" {
			t.Errorf("%+v", got)
		}
	})
	synctest.Test(t, func(t *testing.T) { // nobody runs it
		p, err := New(Config{Buzzer: &Pin{Out: &tape{}}})
		if err != nil {
			t.Fatal(err)
		}
		for range 2 { // the second is not taken for one during the first
			if got := p.Test(t.Context()); len(got) != 1 || got[0].Fault != "the self-test did not end in time" {
				t.Errorf("%+v", got)
			}
		}
		done := make(chan []status.Trial)
		go func() { done <- p.Test(t.Context()) }()
		synctest.Wait()
		if got := p.Test(t.Context()); got[0].Fault != "another self-test is under way" {
			t.Errorf("%+v", got)
		}
		<-done
	})
}

func TestFailingLineIsCountedAndTriedAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, nil)
		defer r.stop()
		synctest.Wait()
		r.buzzer.mu.Lock()
		r.buzzer.fail = errors.New("no such device")
		r.buzzer.mu.Unlock()
		r.p.Publish(nil, active(alarm.ShutTerminalDown))
		time.Sleep(10 * time.Second)
		s := r.p.Status()
		if s[0].Name != "buzzer" || s[0].Failures != 6 || s[0].LastError != "no such device" || s[0].Waiting != 1 || s[1].Failures != 0 {
			t.Errorf("status %+v", s)
		}
		r.buzzer.mu.Lock()
		r.buzzer.fail = nil
		r.buzzer.mu.Unlock()
		time.Sleep(10 * time.Second)
		r.expect("17s: LONG short short")
		if s := r.p.Status(); s[0].LastError != "" {
			t.Errorf("status %+v", s)
		}
	})
}

func TestHangingLineHoldsUpNobody(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		hang := make(chan struct{})
		r := newRig(t, nil)
		synctest.Wait()
		r.buzzer.mu.Lock()
		r.buzzer.hang = hang
		r.buzzer.mu.Unlock()
		start := time.Now()
		for range 1000 {
			r.p.Publish(nil, active(alarm.ShutTerminalDown))
		}
		r.p.Status()
		if time.Since(start) != 0 {
			t.Errorf("held up for %s", time.Since(start))
		}
		time.Sleep(time.Minute)
		if len(r.lamp.all()) < 100 {
			t.Errorf("the lamp flashed %d times", len(r.lamp.all()))
		}
		close(hang)
		r.stop()
	})
}

func TestStopLeavesSilenceAndDark(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, nil)
		r.p.Publish(nil, active(alarm.ShutTerminalDown))
		time.Sleep(100 * time.Millisecond)
		r.stop()
		if r.buzzer.Read() != gpio.Low || r.lamp.Read() != gpio.High {
			t.Errorf("buzzer %s, lamp (active low) %s", r.buzzer.Read(), r.lamp.Read())
		}
	})
}

// TestEveryAlarmIsToldApart goes through the catalogue, and holds the table of
// the package comment to the code.
func TestEveryAlarmIsToldApart(t *testing.T) {
	doc, err := os.ReadFile("doc.go")
	if err != nil {
		t.Fatal(err)
	}
	heard := map[string]alarm.Name{}
	for _, e := range alarm.Catalogue() {
		words := Heard(e.Name, e.Severity)
		if e.Severity == alarm.Notice {
			if words != "" {
				t.Errorf("notice %s sounds %q", e.Name, words)
			}
			continue
		}
		if first := strings.HasPrefix(words, "LONG"); first != (e.Severity == alarm.Critical) {
			t.Errorf("%s is %s and sounds %q", e.Name, e.Severity, words)
		}
		if shorts(e.Name) == other {
			continue
		}
		if twin, twice := heard[words]; twice {
			t.Errorf("%s sounds like %s", e.Name, twin)
		}
		heard[words] = e.Name
		if row := fmt.Sprintf("//\t%-19s %-31s ", e.Name, words); !strings.Contains(string(doc), row) {
			t.Errorf("the package comment has no row %q", row)
		}
	}
	if len(heard) < 6 {
		t.Errorf("only %d calls", len(heard))
	}
}

func TestNoCallIsAnEvacuationSignal(t *testing.T) {
	// Evacuation: three equal beeps of 0.5 s; carbon monoxide: four equal ones of
	// 0.1 s (ISO 8201, NFPA 72; from memory).
	for _, e := range alarm.Catalogue() {
		c := callOf(e.Name, e.Severity)
		equal := true
		for _, b := range c {
			equal = equal && b.on == c[0].on
		}
		if len(c) > 0 && equal {
			t.Errorf("%s: all beeps are equal", e.Name)
		}
	}
}

func TestNothingFitted(t *testing.T) {
	if _, err := New(Config{}); err == nil {
		t.Error("neither buzzer nor lamp was taken")
	}
	if _, err := New(Config{Lamp: &Pin{}}); err == nil {
		t.Error("a lamp without a line was taken")
	}
}
