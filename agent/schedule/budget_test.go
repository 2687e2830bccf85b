package schedule

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"candlemark/probes"
)

func TestSharesOfTheBudget(t *testing.T) {
	shared := Budget{PerDay: 1000, PerMonth: 5000, ForwardShare: 0.4}
	for name, c := range map[string]struct {
		budget     Budget
		day, month Bytes
		want       [3]int64 // probing, sending, catching up
	}{
		"nothing used":                       {shared, Bytes{}, Bytes{}, [3]int64{600, 400, 400}},
		"probes do not take from forwarding": {shared, Bytes{Probing: 600}, Bytes{Probing: 600}, [3]int64{0, 400, 400}},
		"forwarding not from probes":         {shared, Bytes{Sending: 300, CatchingUp: 100}, Bytes{}, [3]int64{600, 0, 0}},
		"catching up takes from sending":     {shared, Bytes{CatchingUp: 100}, Bytes{}, [3]int64{600, 300, 300}},
		"the month is tighter than the day":  {shared, Bytes{}, Bytes{Probing: 2900, Sending: 1990}, [3]int64{100, 10, 10}},
		"over it, left is 0":                 {shared, Bytes{Probing: math.MaxInt64, Sending: math.MaxInt64}, Bytes{}, [3]int64{0, 0, 0}},
		"no forwarding":                      {Budget{PerDay: 1000}, Bytes{}, Bytes{}, [3]int64{1000, 0, 0}},
		"all for forwarding":                 {Budget{PerDay: 1000, ForwardShare: 1}, Bytes{}, Bytes{}, [3]int64{0, 1000, 1000}},
		"no limit":                           {Budget{ForwardShare: 0.4}, Bytes{}, Bytes{}, [3]int64{noLimit, noLimit, noLimit}},
	} {
		s := Resume(Config{Budget: c.budget}, Saved{Days: []Use{{Period: day1, Bytes: c.day}}, Months: []Use{{Period: "2026-11", Bytes: c.month}}})
		for p, want := range c.want {
			if got, limited := s.Left(Part(p)); got != want || limited != (want != noLimit) {
				t.Errorf("%s: part %d has %d left (limited %v), want %d", name, p, got, limited, want)
			}
		}
	}
}

func TestAHeavyProbeLeavesWhatTheLightOnesNeed(t *testing.T) {
	// 100 bytes a minute, 10 % more often at the most: 160,000 a day.
	light := Item{Name: "far", Kind: probes.Latency, Every: time.Minute, MaxBytes: 100}
	for name, c := range map[string]struct {
		perDay, perMonth int64
		dayLeft          time.Duration
		want             string
	}{
		"no limit":                 {0, 0, 0, ""},
		"the day has room":         {161_000, 0, 24 * time.Hour, ""},
		"the day has none":         {160_999, 0, 24 * time.Hour, BudgetSpent},
		"an hour before its end":   {7_700, 0, time.Hour, ""},
		"its end is not known":     {160_999, 0, 0, BudgetSpent},
		"the month has none":       {0, 31 * 160_000, 0, BudgetSpent},
		"the month has room for 1": {0, 31*160_000 + 1000, 0, ""},
	} {
		s := New(Config{Items: []Item{light, transfer(time.Hour, 1000)}, Budget: Budget{PerDay: c.perDay, PerMonth: c.perMonth}})
		s.Due(Inputs{Day: day1, DayLeft: c.dayLeft})
		if got := s.Held("wide"); got != c.want {
			t.Errorf("%s: held %q, want %q", name, got, c.want)
		}
		if got := s.Held("far"); got != "" {
			t.Errorf("%s: the light one is held: %s", name, got)
		}
	}
}

func TestDataThatStayOnThisSideCostNothing(t *testing.T) {
	s := New(Config{Items: []Item{{Name: "hop", Kind: probes.Throughput, Every: time.Minute, MaxBytes: 1e9, Free: true}}, Budget: Budget{PerDay: 10}})
	if n := len(simulate(s, Inputs{Day: day1}, 10*time.Minute, time.Second, 1e8)); n < 8 {
		t.Errorf("%d starts in 10 min", n)
	}
	if usedToday(s) != 0 {
		t.Errorf("used %d", usedToday(s))
	}
}

func TestACrashCountsWhatMayHaveBeenSpent(t *testing.T) {
	s := New(Config{Items: []Item{transfer(time.Minute, 40)}, Budget: Budget{PerDay: 100}})
	in := Inputs{Day: day1}
	s.Due(in)
	in.Up = 2 * time.Minute
	if _, ok := s.Due(in); !ok {
		t.Fatal("nothing started")
	}
	text, err := json.Marshal(s.Save()) // and then the power fails
	if err != nil {
		t.Fatal(err)
	}
	var saved Saved
	if err := json.Unmarshal(text, &saved); err != nil {
		t.Fatal(err)
	}
	again := Resume(Config{}, saved)
	again.Due(in)
	if _, month := again.Used(); usedToday(again) != 40 || month.Probing != 40 {
		t.Errorf("used %d of the day, %d of the month, want 40", usedToday(again), month.Probing)
	}
	s.Done("wide", in.Up, 7)
	if saved := s.Save(); saved.Pending != 0 || saved.Days[0].Probing != 7 {
		t.Errorf("after its end: %+v", saved)
	}
}

// A month in steps of 10 s: forwarding sends what comes, was cut off for 72 h and
// catches up as fast as it may, probes are due far more often than the budget
// bears, and the board restarts every 31 h. No day and not the month pass their
// budget, and each part keeps to its share.
func TestAMonthNeverPassesItsBudget(t *testing.T) {
	const perDay, perMonth = 50e6, 600e6
	config := Config{
		Items: []Item{
			{Name: "far", Kind: probes.Latency, Every: 30 * time.Second, MaxBytes: 1040},
			{Name: "wide", Kind: probes.Throughput, Every: 5 * time.Minute, MaxBytes: 2e6},
		},
		Budget: Budget{PerDay: perDay, PerMonth: perMonth, ForwardShare: 0.5},
	}
	s := New(config)
	begin := time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC)
	outage := func(up time.Duration) bool { return up >= 48*time.Hour && up < 120*time.Hour }
	var backlog, late, delivered int64
	most, days, light := int64(0), map[string]int64{}, 0
	in := Inputs{}
	var running Start
	var end, booted time.Duration
	for up := time.Duration(0); up < 30*dayLong; up += 10 * time.Second {
		now := begin.Add(up)
		in.Up, in.Day = up-booted, now.Format(time.DateOnly)
		in.DayLeft = now.Truncate(dayLong).Add(dayLong).Sub(now)
		in.MonthLeft = begin.AddDate(0, 1, 0).Sub(now)
		if running.Name != "" && up >= end {
			s.Done(running.Name, in.Up, running.MaxBytes)
			running = Start{}
		}
		if start, ok := s.Due(in); ok {
			if running.Name != "" {
				t.Fatal("two at once")
			}
			running, end = start, up+20*time.Second
			if start.Name == "far" {
				end = up + 2*time.Second
				light++
			}
		}
		backlog += 1000 // what every 10 s add
		switch {
		case outage(up):
		case backlog > 6000: // behind: 160 kB at a time
			n := min(backlog, 160_000)
			if left, _ := s.Left(CatchingUp); n <= left {
				s.Spend(CatchingUp, n)
				backlog, late, delivered = backlog-n, late+n, delivered+n
			}
		default:
			if left, _ := s.Left(Sending); backlog <= left {
				s.Spend(Sending, backlog)
				backlog, delivered = 0, delivered+backlog
			}
		}
		if up%(31*time.Hour) == 0 && up > 0 { // the power fails, now and then in a probe
			s, booted, running = Resume(config, s.Save()), up, Start{}
			in.Up = 0
			s.Due(in)
		}
		day, month := s.Used()
		for _, d := range s.Save().Days { // a probe that ended since midnight counts on the day before
			days[d.Period] = d.Total()
		}
		most = max(most, day.Total())
		b := config.Budget
		if day.Total() > perDay || month.Total() > perMonth || day.Probing > b.part(perDay, Probing) || day.Sending+day.CatchingUp > b.part(perDay, Sending) ||
			month.Sending+month.CatchingUp > b.part(perMonth, Sending) || month.Probing > b.part(perMonth, Probing) {
			t.Fatalf("%v: day %+v, month %+v", now, day, month)
		}
	}
	var total int64
	for _, d := range days {
		total += d
	}
	_, month := s.Used()
	t.Logf("most in a day %.1f of %.0f MB, month %.1f of %.0f MB (%+v), %d bursts, caught up %.1f MB of an outage", float64(most)/1e6, perDay/1e6, float64(total)/1e6, perMonth/1e6, month.Bytes, light, float64(late)/1e6)
	if total != month.Total() {
		t.Errorf("the days come to %d, the month to %d", total, month.Total())
	}
	if total < perMonth*8/10 { // a budget that nobody may use is easy to keep
		t.Errorf("only %d of %d used", total, int64(perMonth))
	}
	if delivered < 30*8640*1000-10_000 {
		t.Errorf("%d of %d bytes of metrics delivered: the 72 h were not caught up", delivered, 30*8640*1000)
	}
	if light < 30*2880*85/100 {
		t.Errorf("%d bursts of %d: the budget hid whether the link is up", light, 30*2880)
	}
}

// Whatever is configured and however long probes take, the budgets of each day and
// of the month and the reserve hold, however the days jump about, for probes, claims
// and forwarding together, and only one measurement runs.
func TestAnySchedule(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		every := rapid.Custom(func(t *rapid.T) time.Duration {
			return time.Duration(rapid.IntRange(1, 600).Draw(t, "every")) * time.Second
		})
		share := rapid.Float64Range(0, 1)
		config := Config{
			Seed: rapid.Uint64().Draw(t, "seed"), ReserveBelow: time.Hour,
			Budget: Budget{PerDay: 1000, PerMonth: rapid.Int64Range(1, 3000).Draw(t, "month"), ForwardShare: share.Draw(t, "forward")},
			Quiet:  Quiet{BytesPerS: 1000, Wait: time.Duration(rapid.IntRange(0, 1000).Draw(t, "wait")) * time.Second},
		}
		for i := range rapid.IntRange(1, 5).Draw(t, "items") {
			item := Item{Name: string(rune('a' + i)), Kind: probes.Latency, Every: every.Draw(t, "period"), MaxBytes: rapid.Int64Range(0, 20).Draw(t, "few bytes")}
			if rapid.Bool().Draw(t, "throughput") {
				item.Kind, item.MaxBytes = probes.Throughput, rapid.Int64Range(1, 1200).Draw(t, "max bytes")
			}
			config.Items = append(config.Items, item)
		}
		s := New(config)
		var in Inputs
		days := []string{day1, day2, "", "1970-01-01"}
		total := uint64(0)
		for range 300 {
			in.Day = rapid.SampledFrom(days).Draw(t, "day")
			in.Remaining = time.Duration(rapid.IntRange(0, 120).Draw(t, "left")) * time.Minute
			in.RemainingKnown = rapid.Bool().Draw(t, "known")
			in.EnergyRatio, in.EnergyKnown = share.Draw(t, "energy"), in.RemainingKnown
			total += rapid.Uint64Range(0, 1e6).Draw(t, "others")
			s.Traffic(in.Up, total, 0, true)
			start, ok := s.Due(in)
			within := func() {
				day, month := s.Used()
				if day.Total() > config.Budget.PerDay || month.Total() > config.Budget.PerMonth {
					t.Fatalf("day %q: %+v, month %+v", in.Day, day, month)
				}
			}
			within()
			part := Sending + Part(rapid.IntRange(0, 1).Draw(t, "which"))
			if n, left := rapid.Int64Range(0, 300).Draw(t, "sent"), int64(0); ok || n > 0 {
				if left, _ = s.Left(part); n <= left {
					s.Spend(part, n)
				}
			}
			within()
			if !ok {
				if rapid.IntRange(0, 9).Draw(t, "claim") == 0 {
					bytes := rapid.Int64Range(0, 100).Draw(t, "claimed")
					if _, got := s.Claim(in.Up, bytes); got {
						if _, second := s.Due(in); second {
							t.Fatal("a probe during a claim")
						}
						if _, second := s.Claim(in.Up, 0); second {
							t.Fatal("two claims")
						}
						s.Release(in.Up, bytes)
						within()
					}
				}
				s.Force(rapid.SampledFrom([]string{"a", "b", "none"}).Draw(t, "forced"))
				in.Up += step
				continue
			}
			if start.Kind == probes.Throughput && in.RemainingKnown && in.Remaining < time.Hour {
				t.Fatalf("%s started with %v left", start.Name, in.Remaining)
			}
			if _, second := s.Due(in); second {
				t.Fatal("two at once")
			}
			if _, claimed := s.Claim(in.Up, 0); claimed {
				t.Fatal("a claim during a probe")
			}
			in.Up += time.Duration(rapid.IntRange(0, 120).Draw(t, "took")) * time.Second
			s.Done(start.Name, in.Up, start.MaxBytes)
			within()
		}
	})
}
