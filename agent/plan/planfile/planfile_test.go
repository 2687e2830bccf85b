package planfile

import (
	"errors"
	"math"
	"strings"
	"testing"

	"candlemark/agent/config"
	"candlemark/agent/plan"
)

// small is the least plan that runs: 90 Wh for a 75 W load through a converter of 90 %.
const small = `name: test
packs:
  - {name: pack, chemistry: li-ion, series_cells: 5, energy: 90Wh, health: 100%, temperature: 25°C}
converters:
  - {name: boost, output: 48V, efficiency: 90%, lockout: 12V}
conductors:
  - {name: lead, size: 14AWG, length: 1m}
loads:
  - {name: load, power: 75W}
arrangements:
  - name: one
    feeds:
      - source: pack
        path: [lead, boost, load]
`

func TestTheExampleIsAPlanThatRuns(t *testing.T) {
	p, err := Parse(Example(), "example.yaml")
	if err != nil {
		t.Fatal(err)
	}
	r := p.Evaluate()
	if len(r.Arrangements) < 4 || r.Recommended == "" {
		t.Errorf("%d arrangements, recommended %q", len(r.Arrangements), r.Recommended)
	}
	for _, a := range r.Arrangements {
		if a.Verdict != plan.Runs {
			t.Errorf("%s: %s", a.Name, a.Answer)
		}
	}
}

// t = E eta / P: 90 Wh x 0.90 / 75 W, less the loss in 1 m of lead (1/1.004).
func TestAPlanFileGivesTheRunTime(t *testing.T) {
	p, err := Parse([]byte(small), "small.yaml")
	if err != nil {
		t.Fatal(err)
	}
	got := p.Evaluate().Arrangements[0].Endurance.Expected.Hours()
	if math.Abs(got-1.080) > 0.01 {
		t.Errorf("%v h, want 1.08 h", got)
	}
}

func TestSizes(t *testing.T) {
	for text, want := range map[string]Size{
		"23AWG": {23, true, plan.AWGAreaMM2(23)}, "14 awg": {14, true, plan.AWGAreaMM2(14)}, "1/0AWG": {0, true, plan.AWGAreaMM2(0)},
		"0AWG": {0, true, plan.AWGAreaMM2(0)}, "4/0 AWG": {-3, true, plan.AWGAreaMM2(-3)}, "0.5mm²": {0, false, 0.5}, "2.5 mm2": {0, false, 2.5},
	} {
		var s Size
		if err := s.UnmarshalText([]byte(text)); err != nil || s != want {
			t.Errorf("%q: got %+v, %v", text, s, err)
		}
	}
	for text, want := range map[string]string{
		"23": "23 has no unit; write 23AWG or 23mm²", "AWG": "not a gauge", "5/0AWG": "not a gauge", "41AWG": "not a gauge", "-1AWG": "not a gauge",
		"0mm²": "not an area", "NaNmm²": "not an area", "1e9mm²": "not an area", "thick": "not a size", "": "not a size",
	} {
		var s Size
		if err := s.UnmarshalText([]byte(text)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: got %+v, %v, want %s", text, s, err, want)
		}
	}
}

func TestFaultsNamePlaceAndRemedy(t *testing.T) {
	for _, c := range []struct{ what, old, new, want string }{
		{"bare length", "length: 1m", "length: 30", "small.yaml:7:39: conductors[0].length: 30 has no unit; write 30m or 30ft"},
		{"bare gauge", "size: 14AWG", "size: 14", "conductors[0].size: 14 has no unit; write 14AWG or 14mm²"},
		{"bare energy", "energy: 90Wh", "energy: 90", "90 has no unit; write 90Wh"},
		{"bare power", "power: 75W", "power: 75", "75 has no unit; write 75W"},
		{"bare voltage", "output: 48V", "output: 48", "48 has no unit; write 48V"},
		{"wrong unit", "energy: 90Wh", "energy: 5Ah", `"Ah" is not a unit for this`},
		{"misspelt key", "lockout:", "lokout:", `did you mean "lockout"?`},
		{"unknown element", "boost, load]", "bost, load]", `nothing is called "bost"; use one of: boost, lead, load`},
		{"unknown source", "source: pack", "source: pak", `no pack or supply is called "pak"; use one of: pack`},
		{"source in the path", "[lead,", "[pack, lead,", "is a source"},
		{"no load", "boost, load]", "boost]", "has no load"},
		{"two of a name", "name: lead", "name: boost", "already the name"},
		{"energy and capacity", "energy: 90Wh", "energy: 90Wh, capacity: 5Ah", "either energy or capacity"},
		{"cut-off above nominal", "energy: 90Wh", "energy: 90Wh, cutoff: 19V", "rising order"},
		{"voltages of other cells", "series_cells: 5", "series_cells: 5, nominal: 36V, full: 42V, cutoff: 30V", "does not fit 5 cells"},
		{"class of a passive injector", "loads:", "injectors:\n  - {name: inj, kind: passive, class: 4}\nloads:", "belongs to ieee802.3"},
		{"no class", "loads:", "injectors:\n  - {name: inj, kind: ieee802.3}\nloads:", "add the class"},
		{"class 9", "loads:", "injectors:\n  - {name: inj, kind: ieee802.3, class: 9}\nloads:", "9 is above 8"},
		{"stock and count", "loads:", "stock: {packs: [{name: P1, of: pack, charge: 50%}, {name: P2, of: pack, charge: 50%}]}\nloads:", "is 1, but stock lists 2 of them; list all of them or set count: 2"},
		{"stock of nothing", "loads:", "stock: {packs: [{name: P1, of: pak, charge: 50%}]}\nloads:", "no kind of pack is called"},
		{"nothing to do", "arrangements:", "x:", "unknown key"},
		{"shares of no power", "efficiency: 90%", "efficiency_at: [{load: 10%, efficiency: 70%}]", "add the converter's rated power"},
	} {
		text := strings.Replace(small, c.old, c.new, 1)
		if text == small {
			t.Fatalf("%s: nothing was changed", c.what)
		}
		_, err := Parse([]byte(text), "small.yaml")
		var faults *config.Faults
		if !errors.As(err, &faults) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, want %q in it", c.what, err, c.want)
		}
	}
}

// 100 ft are 30.48 m (international foot).
func TestFeetAreConverted(t *testing.T) {
	p, err := Parse([]byte(strings.Replace(small, "length: 1m", "length: 100ft", 1)), "small.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if got := p.Arrangements[0].Feeds[0].Path[0].(plan.Conductor).LengthM; math.Abs(got-30.48) > 1e-9 {
		t.Errorf("got %v m", got)
	}
}

// FuzzParse: whatever the file holds, there is a list of faults with places and
// remedies, or a plan whose evaluation neither panics nor gives NaN.
func FuzzParse(f *testing.F) {
	f.Add(Example())
	f.Add([]byte(small))
	for _, s := range []string{"", "name: x", "name: x\narrangements: [{name: a, feeds: [{source: b, path: []}]}]", "{[}", "conductors: [{size: [1]}]", "conductors: [{size: {a: b}}]", "relays: [{name: r, direct: 1Mbit/s, to_relay: 1Mbit/s, from_relay: 1Mbit/s}]\nname: n"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		p, err := Parse(data, "f")
		if err != nil {
			var faults *config.Faults
			if !errors.As(err, &faults) || len(faults.List) == 0 {
				t.Fatalf("%T: %v", err, err)
			}
			for _, fault := range faults.List {
				if fault.Line < 1 || fault.Column < 1 || fault.What == "" || fault.Remedy == "" {
					t.Fatalf("%+v", fault)
				}
			}
			return
		}
		r := p.Evaluate()
		if r.Answer == "" {
			t.Fatal("no answer")
		}
		for _, a := range r.Arrangements {
			if math.IsNaN(a.MeanW) || math.IsInf(a.MeanW, 0) {
				t.Fatalf("%+v", a)
			}
		}
	})
}
