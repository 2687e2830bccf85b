package config

import (
	"fmt"
)

// ina219MostV is what the bus pin of an INA219 stands (TI SBOS448, recommended operating conditions).
const ina219MostV = 26

// validatePack compares the voltages of one pack with each other and with its chemistry.
func validatePack(report reporter, key string, p Pack) {
	cell, ok := cellOf(p.Chemistry)
	if !ok || p.SeriesCells < 1 || p.Capacity <= 0 {
		return // reported when it was read; the rest would only follow from it
	}
	n := float64(p.SeriesCells)
	if perCell := float64(p.Full) / n; perCell > cell.topFull+1e-9 {
		report(key+".full", fmt.Sprintf("%s over %d cells is %s a cell; %s cells are full at %s or less",
			volts(p.Full), p.SeriesCells, volts(Volts(perCell)), p.Chemistry, volts(Volts(cell.topFull))),
			"check full, series_cells and chemistry")
	}
	if perCell := float64(p.Cutoff) / n; perCell < cell.leastCutoff-1e-9 {
		report(key+".cutoff", fmt.Sprintf("%s over %d cells is %s a cell, which damages %s cells",
			volts(p.Cutoff), p.SeriesCells, volts(Volts(perCell)), p.Chemistry),
			fmt.Sprintf("set %s or more, or check series_cells", volts(Volts(n*cell.leastCutoff))))
	}
	for _, limit := range []struct {
		key string
		v   Volts
	}{{"cutoff", p.Cutoff}, {"lockout", p.Lockout}, {"far_end_minimum", p.FarEndMinimum}} {
		if limit.v >= p.Full {
			report(key+"."+limit.key, fmt.Sprintf("%s is not below the full voltage of %s, so the pack would always be flat", volts(limit.v), volts(p.Full)),
				"set less, or check full")
		}
	}
	if mean := Volts(float64(p.Full) / n); p.CellCutoff >= mean {
		report(key+".cell_cutoff", fmt.Sprintf("%s is not below the full voltage of a cell, %s", volts(p.CellCutoff), volts(mean)),
			"give the limit of a single cell, or leave it out")
	}
	if p.StaleAfter < 2*p.SampleEvery {
		report(key+".stale_after", fmt.Sprintf("%s is less than two readings %s apart", p.StaleAfter, p.SampleEvery),
			fmt.Sprintf("set %s or more", 2*p.SampleEvery))
	}
	if p.Leads.BringNextPack <= p.Leads.ShutTerminalDown {
		report(key+".leads.bring_next_pack", fmt.Sprintf("%s is not longer than shut_terminal_down, %s", short(p.Leads.BringNextPack), short(p.Leads.ShutTerminalDown)),
			"the next pack must be asked for before the terminal is shut down; set more")
	}
	if t := p.Temperature; t != nil && (t.File == "") == (t.Fixed == nil) {
		report(key+".temperature", "wants either file or fixed", "give one of them, or remove temperature")
	}
	validateSensor(report, key, p)
}

func validateSensor(report reporter, key string, p Pack) {
	s := p.Sensor
	if s.ClippingAccepted != "" && s.ClippingAccepted != ClippingSentence {
		report(key+".sensor.clipping_accepted", fmt.Sprintf("%q does not accept it", s.ClippingAccepted),
			fmt.Sprintf("write %q, or choose a shunt of lower resistance", ClippingSentence))
	}
	if s.Kind != "ina219" {
		return
	}
	if p.Full > ina219MostV {
		report(key+".full", fmt.Sprintf("%s is more than the INA219 stands, %d V", volts(p.Full), ina219MostV),
			"measure this pack with another kind of sensor; a divider before the bus pin would spoil its accuracy")
	}
	for _, needed := range []struct {
		key, example string
		missing      bool
	}{
		{"shunt", "the resistance printed on it, for example 100mΩ", s.Shunt == 0},
		{"shunt_rating", "the watts its maker states, for example 2W", s.ShuntRating == 0},
		{"largest_load", "the most the load draws at the lowest voltage, for example 3A", s.LargestLoad == 0},
	} {
		if needed.missing {
			report(key+".sensor."+needed.key, "is missing", "write "+needed.example)
		}
	}
}

// validateSensors refuses two packs on one chip.
func validateSensors(report reporter, packs []Pack) {
	type chip struct {
		bus     Bus
		address Address
	}
	first := map[chip]string{}
	for i, p := range packs {
		if p.Sensor.Kind != "ina219" {
			continue
		}
		at := chip{p.Sensor.Bus, p.Sensor.Address}
		if other, twice := first[at]; twice {
			report(fmt.Sprintf("packs[%d].sensor.address", i), fmt.Sprintf("%s on %s is already the sensor of pack %q", at.address, at.bus, other),
				"strap each chip to its own address")
			continue
		}
		first[at] = p.Name
	}
}
