package signal

import (
	"context"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/gpio/gpiotest"

	"candlemark/agent/alarm"
)

// tape is a pin that keeps when it was active.
type tape struct {
	gpiotest.Pin
	low  bool // active low
	fail error
	hang chan struct{} // when not nil, Out waits for it

	mu   sync.Mutex
	zero time.Time
	on   time.Time
	is   bool
	runs []run
}

// run is one unbroken time of being active.
type run struct{ from, lasted time.Duration }

func (t *tape) Out(l gpio.Level) error {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.hang != nil {
		<-t.hang
	}
	if t.fail != nil {
		return t.fail
	}
	switch active := bool(l) != t.low; {
	case active && !t.is:
		t.on, t.is = time.Now(), true
	case !active && t.is:
		t.is = false
		t.runs = append(t.runs, run{t.on.Sub(t.zero), time.Since(t.on)})
	}
	return t.Pin.Out(l)
}

func (t *tape) all() []run {
	t.mu.Lock()
	defer t.mu.Unlock()
	return slices.Clone(t.runs)
}

// calls are the calls heard, each with when it began; a silence of more than
// half a second parts them.
func (t *tape) calls() []string {
	var out []string
	runs := t.all()
	for i, r := range runs {
		if i == 0 || r.from-runs[i-1].from-runs[i-1].lasted > 500*time.Millisecond {
			out = append(out, r.from.Round(100*time.Millisecond).String()+":")
		}
		beep := r.lasted.String()
		switch r.lasted {
		case short:
			beep = "short"
		case long:
			beep = "LONG"
		}
		out[len(out)-1] += " " + beep
	}
	return out
}

// rig is a player at work inside a bubble.
type rig struct {
	t            *testing.T
	p            *Player
	buzzer, lamp *tape
	stop         func()
}

func newRig(t *testing.T, change func(*Config)) *rig {
	r := &rig{t: t, buzzer: &tape{zero: time.Now()}, lamp: &tape{zero: time.Now(), low: true}}
	cfg := Config{Buzzer: &Pin{Out: r.buzzer}, Lamp: &Pin{Out: r.lamp, ActiveLow: true}}
	if change != nil {
		change(&cfg)
	}
	p, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	r.p = p
	r.start()
	return r
}

func (r *rig) start() {
	ctx, cancel := context.WithCancel(r.t.Context())
	done := make(chan error)
	go func() { done <- r.p.Run(ctx) }()
	r.stop = func() {
		cancel()
		if err := <-done; err != nil {
			r.t.Error(err)
		}
	}
}

func (r *rig) expect(want ...string) {
	r.t.Helper()
	if diff := cmp.Diff(want, r.buzzer.calls()); diff != "" {
		r.t.Errorf("heard (-want +got):\n%s", diff)
	}
}

func active(names ...alarm.Name) []alarm.Active {
	var out []alarm.Active
	for _, n := range names {
		e, _ := alarm.Lookup(n)
		out = append(out, alarm.Active{ID: "id-" + string(n), Name: n, Severity: e.Severity, Title: "title of " + string(n)})
	}
	return out
}

// acknowledged are the alarms, those named marked as known to somebody.
func acknowledged(alarms []alarm.Active, names ...alarm.Name) []alarm.Active {
	alarms = slices.Clone(alarms)
	for i := range alarms {
		if slices.Contains(names, alarms[i].Name) {
			alarms[i].Acknowledged = &alarm.Acknowledged{Who: "me"}
		}
	}
	return alarms
}
