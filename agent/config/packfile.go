package config

import (
	"errors"
	"fmt"
	"io"
	"os"
	"reflect"

	"candlemark/agent/pack"
)

// PackFile is what is known of one pack, as replay and learn take it. Its values
// are plain numbers: the unit is in the key.
type PackFile struct {
	// What to call the pack.
	Name string `key:"name"`
	// Family of the cells.
	Chemistry pack.Chemistry `key:"chemistry" need:"yes" oneof:"li-ion lfp lead-acid"`
	// Cells in series.
	SeriesCells int `key:"series_cells" need:"yes" min:"1" max:"200"`
	// Capacity on the label, of the whole pack, in ampere-hours.
	CapacityAh float64 `key:"capacity_ah" need:"yes" min:"0.001" max:"10000"`
	// Voltage of the whole pack under load at which it counts as flat.
	CutoffV float64 `key:"cutoff_v" need:"yes" min:"0.1" max:"1000"`
	// Voltage of the whole pack when full; the chemistry's usual value when left out.
	FullV float64 `key:"full_v" min:"0.1" max:"1000"`
	// Input voltage at which the converter switches itself off.
	LockoutV float64 `key:"lockout_v" min:"0" max:"1000"`
	// Least voltage at which the far end still works.
	FarEndMinimumV float64 `key:"far_end_minimum_v" min:"0" max:"1000"`
	// Resistance of the feed, out and back.
	FeedResistanceOhm float64 `key:"feed_resistance_ohm" min:"0" max:"100"`
	// Voltage of a single cell at which the protection board switches the pack off; leave it out when it is not known.
	CellCutoffV float64 `key:"cell_cutoff_v" min:"0" max:"5"`
}

// Spec is the pack as the estimator takes it.
func (p PackFile) Spec() pack.Spec {
	return pack.Spec{
		Chemistry: p.Chemistry, SeriesCells: p.SeriesCells, CapacityAh: p.CapacityAh, FullV: p.FullV,
		CutoffV: p.CutoffV, LockoutV: p.LockoutV, FarMinV: p.FarEndMinimumV, FeedOhm: p.FeedResistanceOhm,
		CellCutoffV: p.CellCutoffV,
	}
}

// LoadPackFile reads and checks the pack file at path. Its error is a *Faults
// where the file could be read.
func LoadPackFile(path string) (PackFile, error) {
	f, err := os.Open(path)
	if err != nil {
		return PackFile{}, fmt.Errorf("pack file: %w", err)
	}
	data, err := io.ReadAll(io.LimitReader(f, maxSize+1))
	if err = errors.Join(err, f.Close()); err != nil {
		return PackFile{}, fmt.Errorf("pack file: %w", err)
	}
	return ParsePackFile(data, path)
}

// ParsePackFile reads and checks data; name stands for the file in faults.
func ParsePackFile(data []byte, name string) (PackFile, error) {
	var p PackFile
	d := &decoder{file: name, faults: &Faults{}, pos: positions{}, meant: map[string]bool{}}
	if root, ok := d.tree(data); ok {
		d.structure(root, reflect.ValueOf(&p).Elem(), "")
	}
	if cell, ok := cellOf(p.Chemistry); ok && p.SeriesCells > 0 && !d.faults.touches("cutoff_v") {
		full := p.FullV
		if full == 0 {
			full = cell.topFull * float64(p.SeriesCells)
		}
		if p.CutoffV >= full {
			d.fault(d.pos.of("cutoff_v"), "cutoff_v", fmt.Sprintf("the cut-off of %g V is not below the full voltage of %g V", p.CutoffV, full),
				"give the cut-off of the whole pack, and check series_cells")
		}
	}
	if len(d.faults.List) == 0 {
		if err := p.Spec().Validate(); err != nil {
			d.fault(position{1, 1}, "", err.Error(), "check the values against the pack's label")
		}
	}
	if len(d.faults.List) > 0 {
		d.faults.sort()
		return PackFile{}, d.faults
	}
	return p, nil
}
