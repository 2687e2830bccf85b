package agent

import (
	"strings"
	"testing"
	"time"

	"candlemark/sensors"
)

func answered(out []Effect) (a Answer) {
	for _, e := range out {
		if got, ok := e.(Answer); ok {
			a = got
		}
	}
	return a
}

func TestASwapThatNothingShowsIsDoubted(t *testing.T) {
	r := newRide(t, testSetup(), Memory{})
	d := &drain{capacityAh: 6, usedAh: 3.2}
	r.discharge(d, 20, 2*time.Hour)
	alarms := strings.Join(r.active(), " ")
	said := func(sure bool) Answer {
		return answered(r.send(SwapDeclared{At: r.at(), Pack: "terminal", Mark: "B3", Sure: sure, Who: "op", Ticket: 7}))
	}
	if a := said(false); a.Ticket != 7 || !strings.Contains(a.Refused, "without a break for 2 h") || !strings.Contains(a.Refused, "--sure") {
		t.Errorf("answered %+v", a)
	}
	if got := strings.Join(r.active(), " "); got != alarms {
		t.Errorf("a swap that was refused left %q of %q", got, alarms)
	}
	if a := said(true); a.Refused != "" {
		t.Errorf("for sure: %+v", a)
	}
	*d = drain{capacityAh: 6, usedAh: 1} // a fuller pack: the voltage leaps
	r.discharge(d, 20, time.Minute)
	if a := said(false); a.Refused != "" {
		t.Errorf("after a fuller pack came: %+v", a)
	}
}

func TestWhatAChangedPackShows(t *testing.T) {
	for name, tt := range map[string]struct {
		now  sensors.Reading
		gap  time.Duration
		want bool
	}{
		"the same":                            {sensors.Reading{PackV: 18.4, PackA: 2.5}, time.Second, false},
		"falling":                             {sensors.Reading{PackV: 18.2, PackA: 2.6}, time.Second, false},
		"less load":                           {sensors.Reading{PackV: 18.7, PackA: 1.5}, time.Second, false},
		"no reading for a while":              {sensors.Reading{PackV: 18.4, PackA: 2.5}, time.Minute, true},
		"no current":                          {sensors.Reading{PackV: 19.0}, time.Second, true},
		"a fuller pack at constant power":     {sensors.Reading{PackV: 19.4, PackA: 2.5 * 18.4 / 19.4}, time.Second, true},
		"a fuller pack at a constant current": {sensors.Reading{PackV: 19.4, PackA: 2.5}, time.Second, true},
	} {
		var h handled
		h.take(tt.now, sensors.Reading{PackV: 18.4, PackA: 2.5}, true, tt.gap, 30*time.Second, time.Hour)
		if h.known != tt.want {
			t.Errorf("%s: %v", name, h.known)
		}
	}
}

// Nothing switches the board on again, so a dip of a reading or two must not switch it off.
func TestADipDoesNotSwitchTheBoardOff(t *testing.T) {
	r := newRide(t, testSetup(), Memory{})
	d := &drain{capacityAh: 5}
	r.discharge(d, 50, 15*time.Minute)
	full := d.usedAh
	d.usedAh = 4.99
	r.discharge(d, 50, 4*time.Second)
	d.usedAh = full
	r.discharge(d, 50, 2*time.Minute)
	if n := count(r.effects, func(PowerOff) bool { return true }); n != 0 {
		t.Errorf("the board was switched off %d times", n)
	}
}
