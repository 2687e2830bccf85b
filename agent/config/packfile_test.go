package config

import (
	"errors"
	"strings"
	"testing"

	"candlemark/agent/pack"
)

func TestPackFileIsReadWithItsUnits(t *testing.T) {
	p, err := ParsePackFile([]byte("chemistry: li-ion\nseries_cells: 5\ncapacity_ah: 5\ncutoff_v: 15.0\nlockout_v: 14\nfeed_resistance_ohm: 0.2\n"), "pack.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if s := p.Spec(); s.Chemistry != pack.LiIon || s.SeriesCells != 5 || s.CapacityAh != 5 || s.CutoffV != 15 || s.LockoutV != 14 || s.FeedOhm != 0.2 {
		t.Errorf("read as %+v", s)
	}
}

func TestPackFileFaultsNamePlaceAndRemedy(t *testing.T) {
	for _, c := range []struct{ what, text, want string }{
		{"misspelt key", "chemistry: li-ion\nseries_cell: 5\nseries_cells: 5\ncapacity_ah: 5\ncutoff_v: 15\n", "pack.yaml:2:1: series_cell:"},
		{"unit in the value", "chemistry: li-ion\nseries_cells: 5\ncapacity_ah: 5Ah\ncutoff_v: 15\n", "pack.yaml:3:14: capacity_ah: \"5Ah\" is not a number; write the number alone"},
		{"missing cut-off", "chemistry: li-ion\nseries_cells: 5\ncapacity_ah: 5\n", "cutoff_v"},
		{"not a number", "chemistry: li-ion\nseries_cells: 5\ncapacity_ah: .nan\ncutoff_v: 15\n", "capacity_ah"},
		{"cut-off above full", "chemistry: li-ion\nseries_cells: 5\ncapacity_ah: 5\ncutoff_v: 50\n", "cut-off"},
		{"nothing", "", "pack.yaml:1:1"},
	} {
		_, err := ParsePackFile([]byte(c.text), "pack.yaml")
		var faults *Faults
		if !errors.As(err, &faults) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, want %q in it", c.what, err, c.want)
		}
	}
}

func FuzzPackFile(f *testing.F) {
	f.Add([]byte("chemistry: lfp\nseries_cells: 4\ncapacity_ah: 20\ncutoff_v: 11\n"))
	f.Add([]byte("{chemistry: [}"))
	f.Fuzz(func(t *testing.T, data []byte) {
		p, err := ParsePackFile(data, "pack.yaml")
		if err == nil {
			if err := p.Spec().Validate(); err != nil {
				t.Errorf("accepted a pack that the estimator refuses: %v", err)
			}
		}
	})
}
