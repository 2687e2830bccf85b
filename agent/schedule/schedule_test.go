package schedule

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"candlemark/probes"
)

const day1, day2 = "2026-11-25", "2026-11-26"

func ping(name string, every time.Duration) Item {
	return Item{Name: name, Kind: probes.Latency, Every: every}
}

func transfer(every time.Duration, maxBytes int64) Item {
	return Item{Name: "wide", Kind: probes.Throughput, Every: every, MaxBytes: maxBytes}
}

// step is how often the simulated runs ask, as the agent does.
const step = time.Second

// start is one start that a simulated run saw.
type start struct {
	name string
	up   time.Duration
}

// simulate runs a schedule for d, each probe taking took and costing cost bytes.
func simulate(s *Schedule, in Inputs, d, took time.Duration, cost int64) []start {
	var starts []start
	for end := in.Up + d; in.Up < end; {
		item, ok := s.Due(in)
		if !ok {
			in.Up += step
			continue
		}
		starts = append(starts, start{item.Name, in.Up})
		in.Up += took
		var bytes int64
		if item.Kind == probes.Throughput {
			bytes = cost
		}
		s.Done(item.Name, in.Up, bytes)
	}
	return starts
}

func usedToday(s *Schedule) int64 { day, _ := s.Used(); return day.Total() }

func count(starts []start, name string) int {
	n := 0
	for _, s := range starts {
		if s.name == name {
			n++
		}
	}
	return n
}

func TestEveryItemKeepsItsPeriod(t *testing.T) {
	s := New(Config{Items: []Item{ping("a", 30*time.Second), ping("b", time.Minute), transfer(time.Hour, 1)}, Seed: 1})
	starts := simulate(s, Inputs{Day: day1}, 10*time.Hour, time.Second, 1)
	last := map[string]time.Duration{}
	for _, st := range starts {
		every := map[string]time.Duration{"a": 30 * time.Second, "b": time.Minute, "wide": time.Hour}[st.name]
		if at, ok := last[st.name]; ok {
			// Three other starts of 1 s each may stand in the way.
			if gap := st.up - at; gap < every*9/10 || gap > every*11/10+3*time.Second {
				t.Fatalf("%s started %v after its last start, period %v", st.name, gap, every)
			}
		} else if st.up > min(every, firstWithin)+3*time.Second {
			t.Errorf("%s first started at %v", st.name, st.up)
		}
		last[st.name] = st.up
	}
	if n := count(starts, "a"); n < 1100 || n > 1300 {
		t.Errorf("a started %d times in 10 h of 30 s, want about 1200", n)
	}
}

func TestSeedsSpreadTheStarts(t *testing.T) {
	firsts := map[time.Duration]bool{}
	for seed := range uint64(20) {
		s := New(Config{Items: []Item{ping("a", time.Minute)}, Seed: seed})
		firsts[simulate(s, Inputs{}, 2*time.Minute, time.Second, 0)[0].up] = true
	}
	if len(firsts) < 15 {
		t.Errorf("20 seeds gave %d different first starts", len(firsts))
	}
}

func TestOneProbeAtATime(t *testing.T) {
	s := New(Config{Items: []Item{ping("a", time.Second), ping("b", time.Second)}})
	in := Inputs{Up: time.Minute}
	s.Due(in)
	in.Up += time.Minute
	first, ok := s.Due(in)
	if !ok {
		t.Fatal("nothing due after a minute")
	}
	in.Up += time.Hour
	if _, ok := s.Due(in); ok {
		t.Fatalf("another starts while %s runs", first.Name)
	}
	s.Done("something else", in.Up, 5)
	if _, ok := s.Due(in); ok {
		t.Fatal("another's end let a second probe start")
	}
	s.Done(first.Name, in.Up, 5)
	if _, ok := s.Due(in); !ok {
		t.Fatal("nothing due after the probe ended")
	}
	if usedToday(s) != 10 {
		t.Errorf("used %d bytes, want 10", usedToday(s))
	}
}

func TestLatencyGoesBeforeThroughput(t *testing.T) {
	s := New(Config{Items: []Item{transfer(time.Minute, 1), ping("a", time.Minute)}})
	s.Due(Inputs{})
	item, ok := s.Due(Inputs{Up: time.Minute})
	if !ok || item.Name != "a" {
		t.Fatalf("first is %q (%v), want the latency probe", item.Name, ok)
	}
}

func TestThroughputDoesNotStarve(t *testing.T) {
	// Four latency probes of 2 s each want 8 s of every 5.
	items := []Item{ping("a", 5*time.Second), ping("b", 5*time.Second), ping("c", 5*time.Second), ping("d", 5*time.Second), transfer(10*time.Minute, 1)}
	starts := simulate(New(Config{Items: items}), Inputs{Day: day1}, 2*time.Hour, 2*time.Second, 1)
	for _, item := range items {
		if count(starts, item.Name) < 4 {
			t.Errorf("%s started %d times in 2 h", item.Name, count(starts, item.Name))
		}
	}
}

func TestHeldBack(t *testing.T) {
	config := Config{Items: []Item{ping("a", time.Minute), transfer(time.Minute, 40)}, Budget: Budget{PerDay: 100}, ReserveBelow: time.Hour}
	cases := []struct {
		name string
		in   Inputs
		used int64
		want string
	}{
		{"nothing used, no pack known", Inputs{}, 0, ""},
		{"just room enough", Inputs{}, 60, ""},
		{"one byte too few", Inputs{}, 61, BudgetSpent},
		{"far over", Inputs{}, math.MaxInt64, BudgetSpent},
		{"pack at the reserve", Inputs{Remaining: time.Hour, RemainingKnown: true}, 0, ""},
		{"pack below the reserve", Inputs{Remaining: time.Hour - 1, RemainingKnown: true}, 0, BelowReserve},
		{"an unknown remaining time holds nothing back", Inputs{Remaining: 0}, 0, ""},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			s := Resume(config, Saved{Days: []Use{{Period: day1, Bytes: Bytes{Probing: c.used}}}})
			c.in.Day = day1
			s.Due(c.in)
			if got := s.Held("wide"); got != c.want {
				t.Errorf("held: %q, want %q", got, c.want)
			}
			starts := simulate(s, c.in, 10*time.Minute, time.Second, 0)
			if ran := count(starts, "wide") > 0; ran != (c.want == "") {
				t.Errorf("ran %v while held %q", ran, c.want)
			}
			if s.Held("a") != "" || count(starts, "a") < 5 {
				t.Errorf("latency was held back: %q, %d starts", s.Held("a"), count(starts, "a"))
			}
		})
	}
}

func TestHeldProbeRunsSoonAfterTheReasonEnds(t *testing.T) {
	s := New(Config{Items: []Item{transfer(6*time.Hour, 40)}, Budget: Budget{PerDay: 100}, ReserveBelow: time.Hour})
	low := Inputs{Day: day1, RemainingKnown: true}
	if n := len(simulate(s, low, 3*time.Hour, time.Second, 0)); n != 0 {
		t.Fatalf("%d starts below the reserve", n)
	}
	if n := len(simulate(s, Inputs{Up: 3 * time.Hour, Day: day1}, 11*time.Minute, time.Second, 0)); n != 1 {
		t.Errorf("%d starts in the 11 min after, want 1", n)
	}
}

func TestDaysOfTheBudget(t *testing.T) {
	s := New(Config{})
	at := func(day string, up time.Duration, bytes, want int64) {
		t.Helper()
		s.Due(Inputs{Day: day, Up: up})
		s.Done("", up, bytes)
		if got := usedToday(s); got != want {
			t.Errorf("day %q: used %d, want %d", day, got, want)
		}
	}
	at("", 0, 7, 7)                                    // the clock is not set yet
	at(day1, time.Hour, 3, 10)                         // what was used before belongs to the first day
	at(day2, 2*time.Hour, 5, 5)                        // a new day
	at(day1, 3*time.Hour, 0, 10)                       // the clock jumps back: no budget for nothing
	at(day2, 4*time.Hour, 1, 6)                        // and forth
	at("", 5*time.Hour, 1, 7)                          // the clock is lost: still the same day
	at("", 28*time.Hour, 1, 8)                         // 23 h later too
	at("", 29*time.Hour, 2, 2)                         // 24 h later a new one
	at("2026-11-28", 30*time.Hour, -5, 2)              // named at last; nobody gives bytes back
	at("", 31*time.Hour, math.MaxInt64, math.MaxInt64) // no overflow
}

func TestResumeKeepsTheCount(t *testing.T) {
	s := New(Config{})
	for i, day := range []string{"d0", "d1", "d2", "d3", "d4", "d5", "d6", "d7", "d8", "d9"} {
		s.Due(Inputs{Day: day})
		s.Done("", 0, int64(i+1))
	}
	text, err := json.Marshal(s.Save())
	if err != nil {
		t.Fatal(err)
	}
	var saved Saved
	if err := json.Unmarshal(text, &saved); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(s.Save(), saved); diff != "" || len(saved.Days) != daysKept {
		t.Fatalf("saved %d days, want %d; %s", len(saved.Days), daysKept, diff)
	}
	again := Resume(Config{}, saved)
	again.Due(Inputs{}) // the board boots without a clock
	if usedToday(again) != 10 {
		t.Errorf("used %d after the restart, want 10", usedToday(again))
	}
	again.Due(Inputs{Day: "d5"})
	if usedToday(again) != 6 {
		t.Errorf("used %d on d5, want 6", usedToday(again))
	}
}

func TestItemsThatNeverRun(t *testing.T) {
	s := New(Config{Items: []Item{ping("a", 0), ping("b", -1)}})
	if _, ok := s.Due(Inputs{Up: time.Hour}); ok {
		t.Error("one ran")
	}
}

// FuzzResume feeds a damaged record to a restart.
func FuzzResume(f *testing.F) {
	f.Add([]byte(`{"days":[{"period":"2026-11-25","probing":-1},{"period":"","sending":9223372036854775807,"energy":{"wh":1e308}}],"pending":-3}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		var saved Saved
		if json.Unmarshal(text, &saved) != nil {
			return
		}
		s := Resume(Config{Budget: Budget{PerDay: 100, PerMonth: 1000}, Items: []Item{transfer(time.Second, 10)}}, saved)
		simulate(s, Inputs{Day: day1}, time.Minute, time.Second, 10)
		day, month := s.Used()
		kept := s.Save()
		if day.Total() < 0 || month.Total() < 0 || len(kept.Days) > daysKept || len(kept.Months) > monthsKept {
			t.Errorf("used %d and %d on %d days", day.Total(), month.Total(), len(kept.Days))
		}
		if _, err := json.Marshal(kept); err != nil {
			t.Error(err)
		}
	})
}
