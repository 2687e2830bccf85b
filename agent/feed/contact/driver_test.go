package contact

import (
	"context"
	"errors"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/gpio/gpiotest"

	"candlemark/agent/feed"
	"candlemark/agent/hook"
)

// open is the wiring whose dead board leaves the feed off, closed the one that
// leaves it on.
func open(low bool) Wiring {
	w := Wiring{Contact: NormallyOpen, ActiveLow: low, Wanted: LeavesOff}
	w.Pull = w.idle()
	return w
}

func closed(low bool) Wiring {
	w := Wiring{Contact: NormallyClosed, ActiveLow: low, Wanted: LeavesOn}
	w.Pull = w.idle()
	return w
}

func TestLevels(t *testing.T) {
	cases := []struct {
		name    string
		w       Wiring
		on, off gpio.Level
	}{
		{"normally open, high drives it", open(false), gpio.High, gpio.Low},
		{"normally open, low drives it", open(true), gpio.Low, gpio.High},
		{"normally closed, high drives it", closed(false), gpio.Low, gpio.High},
		{"normally closed, low drives it", closed(true), gpio.High, gpio.Low},
	}
	for _, c := range cases {
		pin := &gpiotest.Pin{N: "FEED"}
		s, err := NewSwitch(c.w, Pins{Drive: pin, ReadBack: func() (gpio.Level, error) { return pin.Read(), nil }})
		if err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		for _, on := range []bool{true, false, true} {
			want := c.off
			if on {
				want = c.on
			}
			if err := s.Set(on); err != nil || pin.Read() != want || c.w.Level(on) != want {
				t.Errorf("%s: set %v gave %s, %v; want %s", c.name, on, pin.Read(), err, want)
			}
		}
	}
}

func TestWiringThatDoesNotLeaveWhatIsWanted(t *testing.T) {
	with := func(w Wiring, change func(*Wiring)) Wiring { change(&w); return w }
	cases := []struct {
		name  string
		w     Wiring
		words string
	}{
		{"open", open(false), ""}, {"open low", open(true), ""}, {"closed", closed(false), ""}, {"closed low", closed(true), ""},
		{"latching", Wiring{Contact: Latching, Pull: NoPull, Wanted: LeavesAsIs}, ""},
		{"a dead board with an open contact keeps no link", with(open(false), func(w *Wiring) { w.Wanted = LeavesOn }), "leaves the feed off with a normally_open contact"},
		{"no resistor", with(open(false), func(w *Wiring) { w.Pull = NoPull }), "write pull: down"},
		{"the wrong resistor", with(open(false), func(w *Wiring) { w.Pull = PullUp }), "holds the line down"},
		{"the wrong resistor, low drives", with(closed(true), func(w *Wiring) { w.Pull = PullDown }), "holds the line up"},
		{"latching keeps, and cannot choose", Wiring{Contact: Latching, Pull: NoPull, Wanted: LeavesOn}, "as it was"},
		{"nothing declared", Wiring{}, "contact"},
		{"no such pull", with(open(false), func(w *Wiring) { w.Pull = "?" }), "pull"},
		{"nothing wanted", with(open(false), func(w *Wiring) { w.Wanted = "" }), "dead board"},
	}
	for _, c := range cases {
		err := c.w.Check()
		if (err != nil) != (c.words != "") || err != nil && !strings.Contains(err.Error(), c.words) {
			t.Errorf("%s: %v, want %q", c.name, err, c.words)
		}
	}
}

// broken is an output that does not do as it is told.
type broken struct{ err error }

func (b broken) Out(gpio.Level) error { return b.err }

func TestSwitchThatDoesNotObey(t *testing.T) {
	stuck := func() (gpio.Level, error) { return gpio.Low, nil }
	cases := []struct {
		name  string
		pins  Pins
		on    bool
		words string
	}{
		{"an error on the line", Pins{Drive: broken{errors.New("gone")}}, true, "set on: gone"},
		{"a short circuit", Pins{Drive: broken{}, ReadBack: stuck}, true, "set High and reads Low"},
		{"as it should be", Pins{Drive: broken{}, ReadBack: stuck}, false, ""},
		{"nothing to read back", Pins{Drive: broken{}}, true, ""},
	}
	for _, c := range cases {
		s, err := NewSwitch(open(false), c.pins)
		if err != nil {
			t.Fatal(err)
		}
		err = s.Set(c.on)
		if (err != nil) != (c.words != "") || err != nil && !strings.Contains(err.Error(), c.words) {
			t.Errorf("%s: %v, want %q", c.name, err, c.words)
		}
	}
}

// coil notes when it was driven.
type coil struct {
	name string
	log  *[]string
	from time.Time
}

func (c coil) Out(l gpio.Level) error {
	*c.log = append(*c.log, time.Since(c.from).String()+" "+c.name+" "+l.String())
	return nil
}

func TestLatchingContactIsPulsed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var log []string
		now := time.Now()
		s, err := NewSwitch(Wiring{Contact: Latching, Pull: NoPull, Wanted: LeavesAsIs},
			Pins{Drive: coil{"close", &log, now}, Open: coil{"open", &log, now}})
		if err != nil {
			t.Fatal(err)
		}
		for _, on := range []bool{true, false} {
			if err := s.Set(on); err != nil {
				t.Fatal(err)
			}
		}
		if diff := cmp.Diff([]string{"0s close High", "100ms close Low", "100ms open High", "200ms open Low"}, log); diff != "" {
			t.Error(diff)
		}
	})
	if _, err := NewSwitch(Wiring{Contact: Latching, Pull: NoPull, Wanted: LeavesAsIs}, Pins{Drive: broken{}}); err == nil {
		t.Error("a latching contact with one coil was taken")
	}
	if _, err := NewSwitch(open(false), Pins{}); err == nil {
		t.Error("a switch without a line was taken")
	}
}

// fake is a Driver that fails as long as it is told to.
type fake struct {
	mu   sync.Mutex
	fail error
	did  []bool
	hang time.Duration
}

func (f *fake) Set(on bool) error {
	time.Sleep(f.hang)
	f.mu.Lock()
	defer f.mu.Unlock()
	f.did = append(f.did, on)
	return f.fail
}

func TestActuatorTriesAgainAndSaysSo(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := &fake{fail: errors.New("no answer")}
		words := make(chan string, 10)
		a, err := NewActuator(d, nil, Tell{
			HookEnded: func(name, fault string) { words <- name + ": " + fault },
			Switched:  func(fault string) { words <- "switch: " + fault },
		})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- a.Run(ctx) }()
		a.Want(false)
		time.Sleep(11 * time.Second)
		if s := a.Status(); s.Attempts != 3 || s.Failures != 3 || s.LastError != "no answer" {
			t.Errorf("status %+v", s)
		}
		d.mu.Lock()
		d.fail = nil
		d.mu.Unlock()
		a.Hook("nobody", feed.Cause{})
		time.Sleep(time.Minute)
		var told []string
		for len(words) > 0 {
			told = append(told, <-words)
		}
		if diff := cmp.Diff([]string{"switch: no answer", "nobody: no such hook is configured", "switch: "}, told); diff != "" {
			t.Error(diff)
		}
		a.Want(true)
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
		if diff := cmp.Diff([]bool{false, false, false, false, true}, d.did); diff != "" {
			t.Errorf("what was wanted last is done at the end, and nothing for its own sake:\n%s", diff)
		}
	})
}

func TestActuatorNeverHoldsUpWhoAsks(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := &fake{hang: time.Hour}
		a, err := NewActuator(d, nil, Tell{HookEnded: func(string, string) {}, Switched: func(string) {}})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- a.Run(ctx) }()
		start := time.Now()
		for i := range 100 {
			a.Want(i%2 == 0)
		}
		if time.Since(start) != 0 {
			t.Errorf("waited %s", time.Since(start))
		}
		cancel()
		<-done
		if last := d.did[len(d.did)-1]; last || len(d.did) > 3 {
			t.Errorf("did %v; only the newest word counts, and it was off", d.did)
		}
	})
}

func TestActuatorRunsHooks(t *testing.T) {
	ended := make(chan string, 1)
	a, err := NewActuator(nil, map[string]hook.Command{
		feed.HookShutdown: {Args: []string{"/bin/sh", "-c", `test "$CANDLEMARK_WHO" = agent && test -n "$CANDLEMARK_WHY" && exit 7`}, Timeout: 10 * time.Second},
	}, Tell{HookEnded: func(name, fault string) { ended <- name + ": " + fault }, Switched: func(string) {}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- a.Run(ctx) }()
	a.Hook(feed.HookShutdown, feed.Cause{Who: feed.Agent, Why: "reserve"})
	if got := <-ended; got != "terminal_shutdown: hook /bin/sh: exit status 7" {
		t.Errorf("told %q", got)
	}
	cancel()
	if err := <-done; err != nil {
		t.Error(err)
	}
	if _, err := NewActuator(nil, map[string]hook.Command{"x": {}}, Tell{}); err == nil {
		t.Error("a hook without a command was taken")
	}
}
