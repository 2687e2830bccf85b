// Package contact switches the terminal's feed through a contact on a GPIO line, and
// runs the hooks that go with it.
//
// A Wiring declares how line and contact are joined, a Switch drives them and reads
// back what it can, and an Actuator does what package feed decides without
// holding up who decides.
//
// # Wiring
//
//	pack + ──[fuse]── shunt ──┬── board's own converter (ahead of the switch)
//	                          │
//	                          └── contact ──[converter]── terminal +
//	                                 ┊
//	   GPIO line ──[driver stage]── coil with flyback diode     ┐ or a high-side
//	      │                                                     │ MOSFET whose gate
//	    [pull resistor to the level the board is to rest at]    ┘ has the pull resistor
//	      │
//	     GND
//	pack − ───────────────────────── never switched alone ───── terminal −
//
// What is left behind when nobody drives the line is decided by the wiring, not
// by this program:
//
//	contact          driver released       board reset (line is an input)   board without power
//	normally open    feed off              as the pull resistor says        feed off
//	normally closed  feed on               as the pull resistor says        feed on
//	latching         stays as it was       stays as it was                  stays as it was
//
// A semiconductor switch is "normally open" when its gate resistor holds it off
// and "normally closed" when the resistor holds it on. Where nobody can reach the
// relay, a normally closed contact keeps the link through a dead board, at the
// price of the pack's reserve; the coil then draws current while the feed is off.
// A timer relay whose contact lies across a normally open one, and closes when
// that was open for the longest time off, does the same without any help of the
// board. An agent that ends or crashes leaves its line as it was on many boards; on
// others the kernel makes it an input, which is then the column of the reset. Wiring
// declares all this, and Wiring.Check compares it with what is wanted; the level at which
// the resistor holds a free line is compared by the command self-check.
//
// Cautions. Use a contact rated for direct current at the pack's full voltage:
// a rating for alternating current only does not hold, for a DC arc does not
// go out by itself. Mind the inrush into the converter's input capacitors: it
// welds contacts; choose a rating or a precharge for it. Switch the positive or both poles,
// never the negative alone, which leaves the terminal alive through its other cables.
// Fuse at the pack, at or below the conductor's rating. A feed that software switched off is
// not isolated: pull the fuse before touching a wire, since it returns by itself.
// Local codes and licensed practice govern; this is an aid to a trained operator.
//
// # Sources
//
// Fuse at the source at or below the conductor's rating: NEC 240.4(D), which is
// for building wiring. DC ratings, inrush and what contacts leave behind: common practice, no source.
package contact
