package signal

import (
	"strings"
	"time"

	"candlemark/agent/alarm"
)

const (
	short = 150 * time.Millisecond
	long  = 900 * time.Millisecond
	pause = 250 * time.Millisecond // between the beeps of a call
	rest  = 2 * time.Second        // between calls

	urgentEvery = 15 * time.Second
	urgentFor   = 5 * time.Minute // then urgentLater
	urgentLater = time.Minute
	warnEvery   = 5 * time.Minute
)

// beat is on for a time, then off for a time.
type beat struct{ on, off time.Duration }

// call is one pattern of beeps.
type call []beat

// shorts is the number of short beeps that stands for an alarm; other is for
// alarms without one of their own.
const other = 5

func shorts(n alarm.Name) int {
	switch n {
	case alarm.PackAtCutoff, alarm.BringNextPack:
		return 1
	case alarm.ShutTerminalDown, alarm.SensorStale:
		return 2
	case alarm.LinkDown, alarm.HopDown:
		return 3
	}
	return other
}

// callOf is the call of an alarm; nil for what is left to the lamp.
func callOf(n alarm.Name, s alarm.Severity) call {
	var c call
	for range shorts(n) {
		c = append(c, beat{short, pause})
	}
	switch s {
	case alarm.Critical:
		return append(call{{long, pause}}, c...)
	case alarm.Warning:
		return append(c, beat{long, pause})
	}
	return nil
}

// testCall is heard in a self-test.
func testCall() call { return call{{long, pause}, {short, pause}, {long, pause}} }

// String says the call as in the table.
func (c call) String() string {
	var words []string
	for _, b := range c {
		if b.on == long {
			words = append(words, "LONG")
		} else {
			words = append(words, "short")
		}
	}
	return strings.Join(words, " ")
}

// light is what the lamp does.
type light int

const (
	dark light = iota
	blink
	slow
	fast
	lit // the self-test
)

// beat is one turn of the lamp; dark and lit have none.
func (l light) beat() beat {
	switch l {
	case fast:
		return beat{250 * time.Millisecond, 250 * time.Millisecond}
	case slow:
		return beat{time.Second, time.Second}
	}
	return beat{100 * time.Millisecond, 4900 * time.Millisecond}
}

const testLit = 3 * time.Second
