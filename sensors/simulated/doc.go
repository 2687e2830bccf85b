// Package simulated is a battery pack that exists only in the program, for
// demonstrations and tests. It is measured through a register-exact INA219 fake
// by the same driver as a real one, and it knows the truth the estimate is to be
// compared with.
//
// # Model
//
// An equivalent circuit: open-circuit voltage over charge, one series resistance
// and one resistance with a capacitor (120 s), both rising near empty and in the
// cold. The load draws constant power through a converter, so the current rises
// as the voltage falls. A converter's low-voltage lock-out and the pack's own
// protection at empty cut the load and stay so until the pack is swapped or
// charged. Model and figures are the package's own: it shares nothing with the
// estimator, so that an error of one cannot hide in the other.
//
// # Time
//
// Speed makes the pack live that many seconds in each real one. The chip's
// conversions shrink alike. A reading's At lies on the simulated time line
// (start plus simulated time elapsed, with its monotonic part), so that charge
// counting over readings is right; it therefore runs ahead of the wall clock.
//
// # Limits
//
// No ageing, no self-heating, no hysteresis, and no loss of capacity at high
// current other than through resistance. Resistances of LFP and lead-acid cells
// and the shape near empty are assumptions of the right size, not measurements.
//
// # Sources
//
//   - Lithium-ion: M. Daigle and C. Kulkarni, "Electrochemistry-based Battery
//     Modeling for Prognostics", Annual Conference of the PHM Society 2013, with
//     NASA's published parameter file.
//   - LFP: M. Safari and C. Delacourt, J. Electrochem. Soc. 158 (2011) A562, both
//     electrodes; graphite window of Schimpe et al. 2018; the iron phosphate
//     window is from memory.
//   - Lead-acid: cell voltage = specific gravity of the acid + 0.845, gravity 1.12
//     empty to 1.28 full: common practice, no source.
//   - Resistance of lithium-ion, its rise near empty and in the cold: pulse tests
//     of a 2.9 Ah cell, P. Kollmeyer 2018, Mendeley Data doi:10.17632/wykht8y7tg.1.
package simulated
