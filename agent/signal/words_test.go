package signal

import (
	"testing"

	"candlemark/agent/alarm"
)

// The package comment's table is what people learn by; the words are held to it.
func TestWordsSayWhatThePackageCommentSays(t *testing.T) {
	for _, c := range []struct {
		severity       alarm.Severity
		name           alarm.Name
		heard, seen    string
		repeated       string
		beepsOfOneKind int // the short ones
	}{
		{alarm.Critical, alarm.ShutTerminalDown, "LONG short short", "2 flashes a second", "every 15 s, after 5 min every 1 min", 2},
		{alarm.Warning, alarm.BringNextPack, "short LONG", "1 s on, 1 s off", "every 5 min", 1},
		{alarm.Notice, alarm.ClockNotSet, "", "a blink every 5 s", "not sounded", 0},
	} {
		if got := Heard(c.name, c.severity); got != c.heard {
			t.Errorf("%s is heard as %q, want %q", c.name, got, c.heard)
		}
		if got := Seen(c.severity); got != c.seen {
			t.Errorf("%s is seen as %q, want %q", c.severity, got, c.seen)
		}
		if got := Repeated(c.severity); got != c.repeated {
			t.Errorf("%s is repeated %q, want %q", c.severity, got, c.repeated)
		}
		n := 0
		for _, b := range Beeps(c.name, c.severity) {
			if b.On == short {
				n++
			}
		}
		if n != c.beepsOfOneKind {
			t.Errorf("%s has %d short beeps, want %d", c.name, n, c.beepsOfOneKind)
		}
	}
}
