package signal

import (
	"runtime"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/gpio"

	"candlemark/agent/alarm"
)

func TestHours(t *testing.T) {
	night, noon := Hours{22 * time.Hour, 6*time.Hour + 30*time.Minute}, Hours{12 * time.Hour, 13 * time.Hour}
	cases := []struct {
		name string
		h    Hours
		at   string
		want bool
	}{
		{"before the night", night, "21:59:59", false}, {"at its begin", night, "22:00:00", true},
		{"after midnight", night, "00:00:00", true}, {"before its end", night, "06:29:59", true}, {"at its end", night, "06:30:00", false},
		{"within a day", noon, "12:30:00", true}, {"after it", noon, "13:00:00", false}, {"before it", noon, "11:59:59", false},
		{"none", Hours{}, "00:00:00", false},
	}
	for _, c := range cases {
		at, err := time.Parse(time.TimeOnly, c.at)
		if err != nil {
			t.Fatal(err)
		}
		if got := c.h.Include(at); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}

// TestAWeekLeavesNothingBehind is a week of an urgent alarm that nobody
// acknowledges, and of others that come and go.
func TestAWeekLeavesNothingBehind(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, err := New(Config{Buzzer: &Pin{Out: &counter{}}})
		if err != nil {
			t.Fatal(err)
		}
		r := &rig{t: t, p: p}
		r.start()
		defer r.stop()
		synctest.Wait()
		before := runtime.NumGoroutine()
		for range 7 * 24 {
			p.Publish(nil, active(alarm.ShutTerminalDown, alarm.BringNextPack))
			time.Sleep(time.Hour / 2)
			p.Publish(nil, active(alarm.ShutTerminalDown))
			time.Sleep(time.Hour / 2)
		}
		synctest.Wait()
		if after := runtime.NumGoroutine(); after > before || len(p.active) != 1 {
			t.Errorf("%d goroutines, were %d; %d alarms are kept", after, before, len(p.active))
		}
		// A call each minute or so: 61.95 s apart.
		if s := p.Status()[0]; s.Attempts < 7*24*58*6 || s.Failures != 0 {
			t.Errorf("status %+v", s)
		}
	})
}

// counter is an output that keeps nothing.
type counter struct{ n int }

func (c *counter) Out(gpio.Level) error { c.n++; return nil }
