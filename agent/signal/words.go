package signal

import (
	"fmt"
	"time"

	"candlemark/agent/alarm"
)

// Beat is on for a time, then off for a time: a beep with its pause, or one turn
// of the lamp.
type Beat struct{ On, Off time.Duration }

// Heard says in words what an alarm sounds like: "LONG short short"; "" for what
// is left to the lamp.
func Heard(n alarm.Name, s alarm.Severity) string { return callOf(n, s).String() }

// Beeps are the beeps of an alarm's call; none for what is left to the lamp.
func Beeps(n alarm.Name, s alarm.Severity) []Beat { return callOf(n, s).beats() }

// TestBeeps are those of the self-test.
func TestBeeps() []Beat { return testCall().beats() }

func (c call) beats() (out []Beat) {
	for _, b := range c {
		out = append(out, Beat{b.on, b.off})
	}
	return out
}

// Flashes is one turn of the lamp for an alarm that nobody has acknowledged.
func Flashes(s alarm.Severity) Beat {
	b := lightOf(s).beat()
	return Beat{b.on, b.off}
}

// Seen says in words what the lamp does: "2 flashes a second".
func Seen(s alarm.Severity) string {
	switch b := lightOf(s).beat(); {
	case b.on+b.off < time.Second:
		return fmt.Sprintf("%d flashes a second", time.Second/(b.on+b.off))
	case b.on == b.off:
		return fmt.Sprintf("%s on, %s off", plain(b.on), plain(b.off))
	default:
		return "a blink every " + plain(b.on+b.off)
	}
}

// Repeated says in words how often a call is sounded: "every 15 s, after 5 min every 1 min".
func Repeated(s alarm.Severity) string {
	switch s {
	case alarm.Critical:
		return fmt.Sprintf("every %s, after %s every %s", plain(urgentEvery), plain(urgentFor), plain(urgentLater))
	case alarm.Warning:
		return "every " + plain(warnEvery)
	}
	return "not sounded"
}

// plain says a whole number of seconds or minutes.
func plain(d time.Duration) string {
	if d >= time.Minute {
		return fmt.Sprintf("%d min", d/time.Minute)
	}
	return fmt.Sprintf("%d s", d/time.Second)
}
