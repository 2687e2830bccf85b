// Package plan answers, before cable is cut: will this source run these loads
// over these conductors, for how long, with which fuse, and what gives way first.
//
// # Model
//
// A feed is a source and a path: conductors, connectors, converters, injectors
// and loads in the order a hand would touch them. Loads and converters draw
// constant power, so that their current rises as their voltage falls. A stretch
// between two converters obeys
//
//	V = Vs - A (P/V)
//
// for the voltages V at its taps, A being the resistance each pair of taps shares.
// The greatest solution is the stable one; where there is none the load does not
// run. Seen from one tap with the others held, V(stable) V(unstable) = R P: a load
// whose lock-out lies below V(unstable) may draw the line down before it is up,
// and never start.
//
// Endurance is label energy, times health, usable part and temperature, over the
// mean power at the source; its low and high figures add the uncertainties of
// each in quadrature. A lead-acid bank's charge follows Peukert's rule.
//
// # Limits
//
// Direct current, steady state: no inrush, no inductance, no heating of the
// conductor by its own current. Radio figures are guides: buildings differ by
// more than the models. Nothing here replaces a measurement under load.
//
// # Sources
//
// Each rule names its source where it stands, and Rules carries them to the
// reader. "From memory" means nobody has compared the number with its source;
// "common practice, no source" means that there is none.
//
// Units are V, A, W, Wh, Ah, ohm, m, mm², °C, Hz; ratios are 0..1.
package plan
