package plan

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"candlemark/agent/pack"
	"pgregory.net/rapid"
)

func noon() time.Time { return time.Date(2031, 2, 3, 12, 0, 0, 0, time.UTC) }

func ready(name string, wh float64) OnHand {
	return OnHand{Name: name, Chemistry: pack.LiIon, SeriesCells: 5, UsableWh: wh, Charge: 1, TempC: 20, TempKnown: true}
}

func must(t *testing.T, d Duty) Schedule {
	t.Helper()
	s, err := d.Rotate()
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// 90 Wh at 45 W is two hours each: arithmetic.
func TestThreePacksInTurn(t *testing.T) {
	a := ready("a", 90)
	a.Feed = "relay"
	d := Duty{Now: noon(), Draws: []Draw{{"relay", 45}}, Packs: []OnHand{a, ready("b", 90), ready("c", 90)}, Down: math.Log(1.25), Ahead: 6 * time.Minute, Lead: 30 * time.Minute}
	s := must(t, d)
	if got := s.UpExpected.Sub(noon()); got.Round(time.Second) != 5*time.Hour+48*time.Minute {
		t.Errorf("expected up for %v, want 6 h less twice 6 min", got)
	}
	// a fifth less: 96 min each, of which two are taken out 6 min before
	if got := s.UpLow.Sub(noon()).Round(time.Second); got != 276*time.Minute {
		t.Errorf("low %v, want 4 h 36 min", got)
	}
	want := "link stays up until 16:35 (low) / 17:48 (expected); next swap at 13:30; a generator must be here by 16:05"
	if s.Answer != want {
		t.Errorf("got  %s\nwant %s", s.Answer, want)
	}
	if len(s.Swaps) != 2 || s.Swaps[0].In != "b" || s.Swaps[1].In != "c" {
		t.Fatalf("swaps %+v", s.Swaps)
	}
	// b goes in at 13:30 and is expected to last its 2 h from then
	for i, want := range []struct{ by, empty time.Duration }{{90 * time.Minute, 2 * time.Hour}, {180 * time.Minute, 210 * time.Minute}} {
		x := s.Swaps[i]
		if by, empty := x.By.Sub(noon()).Round(time.Second), x.Expected.Sub(noon()).Round(time.Second); by != want.by || empty != want.empty {
			t.Errorf("swap %d: by %v, empty after %v; want %v, %v", i+1, by, empty, want.by, want.empty)
		}
	}
}

func TestTheLeastUsedOfEqualPacksIsNext(t *testing.T) {
	b, c := ready("b", 90), ready("c", 90)
	b.Uses, c.Uses = 5, 2
	s := must(t, Duty{Now: noon(), Draws: []Draw{{"relay", 45}}, Packs: []OnHand{b, c}})
	if s.Swaps[0].In != "c" || s.Swaps[1].In != "b" {
		t.Errorf("order %+v", s.Swaps)
	}
}

func TestACharger(t *testing.T) {
	d := Duty{Now: noon(), Draws: []Draw{{"relay", 45}}, Packs: []OnHand{ready("a", 90), ready("b", 90)}, Charger: Charger{PowerW: 60}}
	if s := must(t, d); !s.Sustained || s.GeneratorBy != nil {
		t.Errorf("60 W of charging against 45 W of load: %s", s.Answer)
	}
	d.Charger.PowerW = 30 // 27 W come back out: 18 W net from 180 Wh, so about ten hours
	s := must(t, d)
	if got := s.UpExpected.Sub(noon()).Hours(); s.Sustained || got < 6 || got > 10.01 {
		t.Errorf("30 W: up for %v h", got)
	}
	d.Charger.From = noon().Add(5 * time.Hour) // after the packs are empty
	if s := must(t, d); s.UpExpected.Sub(noon()).Round(time.Second) != 4*time.Hour {
		t.Errorf("power at 17:00: up until %v", s.UpExpected)
	}
	d.Charger.From = noon().Add(3 * time.Hour)
	if s := must(t, d); s.UpExpected.Sub(noon()) <= 4*time.Hour {
		t.Errorf("power at 15:00 gave nothing: %v", s.UpExpected)
	}
}

// J4 and J5: no lithium charging below 0 °C; a pack found below about 2.0 V a cell
// is not charged again.
func TestPacksThatMustNotBeCharged(t *testing.T) {
	cold, dead, unknown, fine := ready("cold", 90), ready("dead", 90), ready("unknown", 90), ready("fine", 90)
	cold.TempC, cold.Charge = -3, 0
	dead.RestV, dead.RestKnown, dead.Charge = 8.5, true, 0.5
	unknown.TempKnown, unknown.Charge = false, 0
	fine.Charge = 0.5
	s := must(t, Duty{Now: noon(), Draws: []Draw{{"relay", 45}}, Packs: []OnHand{cold, dead, unknown, fine}, Charger: Charger{PowerW: 60}})
	for _, a := range s.Packs {
		if a.Charge != (a.Pack == "fine") {
			t.Errorf("%+v", a)
		}
		if a.Pack == "cold" && !strings.Contains(a.Why, "0 °C") || a.Pack == "dead" && !strings.Contains(a.Why, "do not charge") {
			t.Errorf("%+v", a)
		}
	}
	if slices.ContainsFunc(s.Swaps, func(x Swap) bool { return x.In != "fine" }) {
		t.Errorf("a pack that is empty, or must not be used, is swapped in: %+v", s.Swaps)
	}
	s = must(t, Duty{Now: noon(), Draws: []Draw{{"relay", 45}}, Packs: []OnHand{cold, dead}, Charger: Charger{PowerW: 60}})
	if !s.ChargeInVain || s.UpExpected != noon() {
		t.Errorf("%s", s.Answer)
	}
}

func TestTwoFeedsShareThePacks(t *testing.T) {
	s := must(t, Duty{Now: noon(), Draws: []Draw{{"relay", 9}, {"terminal", 45}}, Packs: []OnHand{ready("a", 90), ready("b", 90), ready("c", 90)}})
	// the terminal's pack lasts 2 h, then the third, then none
	if got := s.UpExpected.Sub(noon()).Round(time.Second); got != 4*time.Hour {
		t.Errorf("up for %v, want 4 h", got)
	}
}

// 60 W for half an hour on the pack in use, then 90 Wh at 60 W: 0.5 + 1.5 h.
func TestTheMeasuredLoadTakesThePlaceOfThePlannedOne(t *testing.T) {
	a := ready("a", 90)
	a.Feed = "relay"
	d := Duty{Now: noon(), Draws: []Draw{{"relay", 45}}, Packs: []OnHand{a, ready("b", 90)}}
	live, err := d.Measured("relay", 60, 30*time.Minute, 24*time.Minute)
	if err != nil {
		t.Fatal(err)
	}
	s := must(t, live)
	if got := s.UpExpected.Sub(noon()).Round(time.Second); got != 2*time.Hour {
		t.Errorf("expected up for %v, want 2 h", got)
	}
	if got := s.UpLow.Sub(noon()).Round(time.Second); got != 96*time.Minute {
		t.Errorf("low %v, want 1 h 36 min", got)
	}
	if d.Draws[0].LoadW != 45 || d.Packs[0].Charge != 1 {
		t.Error("the planned duty was changed")
	}
	if _, err := d.Measured("terminal", 60, time.Hour, time.Hour); err == nil {
		t.Error("a feed that is not there was measured")
	}
	if _, err := d.Measured("relay", math.NaN(), time.Hour, time.Hour); err == nil {
		t.Error("NaN was taken for a load")
	}
}

func TestADutyThatIsNotKnownIsRefused(t *testing.T) {
	for what, d := range map[string]Duty{
		"no feed":  {Now: noon(), Packs: []OnHand{ready("a", 90)}},
		"no load":  {Now: noon(), Draws: []Draw{{"relay", 0}}},
		"NaN load": {Now: noon(), Draws: []Draw{{"relay", math.NaN()}}},
		"NaN pack": {Now: noon(), Draws: []Draw{{"relay", 5}}, Packs: []OnHand{ready("a", math.NaN())}},
	} {
		if s, err := d.Rotate(); err == nil {
			t.Errorf("%s: %s", what, s.Answer)
		}
	}
}

// Whatever the stock: low never later than expected, no pack is charged that must
// not be, and no swap brings in what is in use.
func TestRotationHoldsItsRules(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(0, 6).Draw(t, "packs")
		d := Duty{Now: noon(), Draws: []Draw{{"relay", rapid.Float64Range(1, 60).Draw(t, "w")}}, Down: rapid.Float64Range(0, 0.5).Draw(t, "down"),
			Charger: Charger{PowerW: rapid.SampledFrom([]float64{0, 20, 100}).Draw(t, "charger")}, Ahead: 10 * time.Minute, Lead: 30 * time.Minute}
		for i := range n {
			o := ready(string(rune('a'+i)), rapid.Float64Range(10, 200).Draw(t, "wh"))
			o.Charge = rapid.Float64Range(0, 1).Draw(t, "charge")
			o.TempC, o.TempKnown = rapid.Float64Range(-30, 50).Draw(t, "temp"), rapid.Bool().Draw(t, "known")
			o.RestV, o.RestKnown = rapid.Float64Range(5, 21).Draw(t, "rest"), rapid.Bool().Draw(t, "restKnown")
			d.Packs = append(d.Packs, o)
		}
		s, err := d.Rotate()
		if err != nil {
			t.Fatal(err)
		}
		if d.Charger.PowerW == 0 && s.UpLow.After(s.UpExpected) {
			t.Fatalf("low %v after expected %v", s.UpLow, s.UpExpected)
		}
		for i, a := range s.Packs {
			o := d.Packs[i]
			if a.Charge && (!o.TempKnown || o.TempC < 0 || o.OverDischarged()) {
				t.Fatalf("advises to charge %+v", o)
			}
		}
		for _, x := range s.Swaps {
			if x.In == x.Out || x.By.Before(d.Now) || x.Expected.Before(x.By) {
				t.Fatalf("%+v", x)
			}
		}
	})
}

// Whoever works by the sheet must never find a pack empty: from one row to the next no
// more time passes than a pack surely lasts, less the time ahead.
func TestEverySwapIsAheadOfThePacksEnd(t *testing.T) {
	d := Duty{Now: noon(), Draws: []Draw{{"relay", 45}}, Down: math.Log(1.25)}
	for i := range 9 {
		d.Packs = append(d.Packs, ready(string(rune('a'+i)), 90))
	}
	d.Packs[0].Feed = "relay"
	const lasts = 96 * time.Minute
	up := lasts*9 + time.Second
	for _, ahead := range []time.Duration{0, 10 * time.Minute, 30 * time.Minute} {
		d.Ahead = ahead
		s := must(t, d)
		if len(s.Swaps) != 8 {
			t.Fatalf("%v ahead: %d swaps, want 8", ahead, len(s.Swaps))
		}
		from := noon()
		for i, x := range s.Swaps {
			if took := x.By.Sub(from); took > lasts-ahead+time.Second {
				t.Errorf("%v ahead: swap %d is %v after the one before, and a pack lasts %v", ahead, i+1, took, lasts)
			}
			from = x.By
		}
		got := s.UpLow.Sub(noon())
		if got >= up {
			t.Errorf("%v ahead: up for %v, no less than with less time ahead", ahead, got)
		}
		up = got
	}
}
