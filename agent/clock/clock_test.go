package clock

import (
	"encoding/json"
	"errors"
	"testing"
	"time"

	"pgregory.net/rapid"
)

var (
	built = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	noon  = time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC) // the true time of uptime 0 in these tests
)

func kernel(up time.Duration, wall time.Time) Evidence {
	return Evidence{Boot: "b", Up: up, Wall: wall, Synchronised: true}
}

func wantWall(t *testing.T, c Clock, up time.Duration, want time.Time) {
	t.Helper()
	if got, ok := c.Wall("b", up); !ok || !got.Equal(want) {
		t.Errorf("at %v: %v %v, want %v", up, got, ok, want)
	}
}

func TestWhatIsBelieved(t *testing.T) {
	fifty := -50 * 365 * 24 * time.Hour
	for _, tt := range []struct {
		name string
		e    Evidence
		want Source
	}{
		{"a clock that only looks right", Evidence{Boot: "b", Wall: noon}, None},
		{"a time service", kernel(0, noon), Kernel},
		{"a time service before the program was made", kernel(0, noon.Add(fifty)), None},
		{"a time service in the far future", kernel(0, noon.Add(-fifty)), None},
		{"a chip", Evidence{Boot: "b", Wall: noon, ChipAgrees: true}, Chip},
		{"a chip behind the journal", Evidence{Boot: "b", Wall: noon.Add(-48 * time.Hour), ChipAgrees: true}, None},
		{"a time service behind the journal", kernel(0, noon.Add(-48*time.Hour)), Kernel},
	} {
		t.Run(tt.name, func(t *testing.T) {
			c := New(State{Latest: noon.Add(-24 * time.Hour)}, built).Observe(tt.e)
			if got := c.Source("b"); got != tt.want {
				t.Errorf("got %q, want %q", got, tt.want)
			}
			if _, ok := c.Wall("b", 0); ok != (tt.want != None) {
				t.Errorf("known %v", ok)
			}
		})
	}
}

func TestWhatWasNotedBeforeGetsItsTimeWhenItIsKnown(t *testing.T) {
	c := New(State{}, built)
	c = c.Observe(Evidence{Boot: "b", Up: time.Minute, Wall: built.Add(-time.Hour)})
	if _, ok := c.Wall("b", time.Minute); ok {
		t.Fatal("known from nothing")
	}
	c = c.Observe(kernel(time.Hour, noon.Add(time.Hour)))
	wantWall(t, c, time.Minute, noon.Add(time.Minute))
	if _, ok := c.Wall("an earlier boot", time.Minute); ok {
		t.Error("the time of another boot was made up")
	}
	text, err := json.Marshal(c.State())
	if err != nil {
		t.Fatal(err)
	}
	var saved State
	if err := json.Unmarshal(text, &saved); err != nil {
		t.Fatal(err)
	}
	c = New(saved, built)
	wantWall(t, c, 2*time.Hour, noon.Add(2*time.Hour))
}

func TestASystemClockMovedByHandIsNotBelieved(t *testing.T) {
	c := New(State{}, built).Observe(kernel(0, noon))
	for _, jump := range []time.Duration{-50 * 365 * 24 * time.Hour, 24 * time.Hour} {
		c = c.Observe(Evidence{Boot: "b", Up: time.Hour, Wall: noon.Add(time.Hour + jump)})
		wantWall(t, c, time.Hour, noon.Add(time.Hour))
	}
}

func TestABetterSourceCorrectsTheWholeBoot(t *testing.T) {
	c, err := New(State{}, built).Set("b", time.Minute, noon.Add(24*time.Hour+time.Minute))
	if err != nil {
		t.Fatal(err)
	}
	wantWall(t, c, 0, noon.Add(24*time.Hour))
	c = c.Observe(kernel(time.Hour, noon.Add(time.Hour)))
	wantWall(t, c, 30*time.Second, noon.Add(30*time.Second))
	wantWall(t, c, time.Hour, noon.Add(time.Hour))
	if c.Source("b") != Kernel {
		t.Error("still by", c.Source("b"))
	}
	// The other way round it is refused.
	if _, err := c.Set("b", 2*time.Hour, noon); !errors.Is(err, ErrKept) {
		t.Error(err)
	}
	if _, err := c.Set("b", 2*time.Hour, noon.Add(2*time.Hour+time.Second)); err != nil {
		t.Error(err)
	}
	after := c.Observe(Evidence{Boot: "b", Up: 3 * time.Hour, Wall: noon, ChipAgrees: true})
	wantWall(t, after, 3*time.Hour, noon.Add(3*time.Hour))
}

func TestTheOperatorMayMendHisWord(t *testing.T) {
	c, _ := New(State{}, built).Set("b", 0, noon.Add(time.Hour))
	c, err := c.Set("b", time.Minute, noon.Add(time.Minute))
	if err != nil {
		t.Fatal(err)
	}
	wantWall(t, c, time.Second, noon.Add(time.Second))
	if _, err := c.Set("b", time.Minute, built.Add(-time.Hour)); err == nil {
		t.Error("a time before the program was made was taken")
	}
}

func TestDriftIsSpreadOverTheTimeTheClockWasLeftAlone(t *testing.T) {
	c := New(State{}, built).Observe(kernel(0, noon))
	const out = 72 * time.Hour
	// The crystal ran 40 ppm fast: by uptime 72 h it is 10.368 s less later.
	lag := 10368 * time.Millisecond
	c = c.Observe(kernel(out, noon.Add(out-lag)))
	wantWall(t, c, 0, noon)
	wantWall(t, c, out/2, noon.Add(out/2-lag/2))
	wantWall(t, c, out, noon.Add(out-lag))
	wantWall(t, c, out+time.Hour, noon.Add(out+time.Hour-lag))
}

func TestAJumpOfTheTimeServiceHoldsForTheWholeBoot(t *testing.T) {
	c := New(State{}, built).Observe(kernel(0, noon)).Observe(kernel(time.Minute, noon.Add(time.Minute+24*time.Hour)))
	wantWall(t, c, time.Second, noon.Add(24*time.Hour+time.Second))
	c = c.Observe(kernel(2*time.Minute, noon.Add(2*time.Minute)))
	wantWall(t, c, time.Second, noon.Add(time.Second))
}

func TestRubbishFromTheJournalIsDropped(t *testing.T) {
	c := New(State{Eras: []Era{
		{Boot: "b", Source: "guess", Zero: noon},
		{Boot: "b", Source: Kernel, Zero: noon, Seen: time.Hour, Till: time.Minute},
		{Boot: "b", Source: Kernel, Zero: noon, From: time.Hour},
		{Boot: "b", Source: Kernel},
	}}, built)
	if len(c.State().Eras) != 0 {
		t.Errorf("kept %+v", c.State().Eras)
	}
}

// However the clocks move: times grow with uptime, and what is kept is bounded.
func TestTimesGrowWithUptime(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := New(State{}, built)
		up := time.Duration(0)
		for range rapid.IntRange(1, 150).Draw(t, "steps") {
			up += time.Duration(rapid.Int64Range(0, int64(48*time.Hour)).Draw(t, "later"))
			wall := noon.Add(up)
			if rapid.Bool().Draw(t, "jump") {
				wall = wall.Add(time.Duration(rapid.Int64Range(-int64(48*time.Hour), int64(48*time.Hour)).Draw(t, "by")))
			} else {
				wall = wall.Add(time.Duration(rapid.Int64Range(-int64(20*time.Second), int64(20*time.Second)).Draw(t, "drift")))
			}
			if rapid.IntRange(0, 3).Draw(t, "who") == 0 {
				if next, err := c.Set("b", up, wall); err == nil {
					c = next
				}
			} else {
				c = c.Observe(Evidence{Boot: "b", Up: up, Wall: wall, Synchronised: rapid.Bool().Draw(t, "sync"), ChipAgrees: rapid.Bool().Draw(t, "chip")})
			}
		}
		if len(c.State().Eras) > mostEras {
			t.Fatalf("%d eras", len(c.State().Eras))
		}
		last := time.Time{}
		for i := range time.Duration(500) {
			wall, ok := c.Wall("b", up*i/499)
			if !ok {
				return
			}
			if wall.Before(last) {
				t.Fatalf("at %v: %v is before %v: %+v", up*i/499, wall, last, c.State().Eras)
			}
			last = wall
		}
	})
}
