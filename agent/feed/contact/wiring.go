package contact

import (
	"fmt"

	"periph.io/x/conn/v3/gpio"
)

// Kind is the kind of contact in the feed.
type Kind string

const (
	NormallyOpen   Kind = "normally_open"   // closed while it is driven
	NormallyClosed Kind = "normally_closed" // open while it is driven
	Latching       Kind = "latching"        // stays as the last pulse left it; set and reset coils
)

// Pull is the resistor at the line, which decides while nobody drives it.
type Pull string

const (
	PullUp   Pull = "up"
	PullDown Pull = "down"
	NoPull   Pull = "none"
)

// Left is what is left of the feed when nobody drives the line.
type Left string

const (
	LeavesOn   Left = "on"
	LeavesOff  Left = "off"
	LeavesAsIs Left = "as it was"
	Undefined  Left = "undefined"
)

// Wiring declares how the line and the contact are joined.
type Wiring struct {
	Contact   Kind
	ActiveLow bool // a low level drives the contact
	Pull      Pull
	// Wanted is what the operator means a board that is reset, dead or without
	// power to leave behind: LeavesOn keeps the link, LeavesOff keeps the pack.
	Wanted Left
}

// Unpowered is what a board without power leaves behind.
func (w Wiring) Unpowered() Left {
	switch w.Contact {
	case NormallyOpen:
		return LeavesOff
	case NormallyClosed:
		return LeavesOn
	}
	return LeavesAsIs
}

// Reset is what a board in reset leaves behind: its lines are inputs then.
func (w Wiring) Reset() Left {
	if w.Contact == Latching {
		return LeavesAsIs
	}
	if w.Pull != PullUp && w.Pull != PullDown {
		return Undefined
	}
	if w.on(gpio.Level(w.Pull == PullUp)) {
		return LeavesOn
	}
	return LeavesOff
}

// Check says what the wiring declared can't do, with the remedy.
func (w Wiring) Check() error {
	switch w.Contact {
	case NormallyOpen, NormallyClosed, Latching:
	default:
		return fmt.Errorf("feed: contact %q is not known; write normally_open, normally_closed or latching", w.Contact)
	}
	switch w.Pull {
	case PullUp, PullDown, NoPull:
	default:
		return fmt.Errorf("feed: pull %q is not known; write up, down or none", w.Pull)
	}
	switch w.Wanted {
	case LeavesOn, LeavesOff, LeavesAsIs:
	default:
		return fmt.Errorf("feed: %q is not something a dead board can leave; write on, off or as it was", w.Wanted)
	}
	if is := w.Unpowered(); is != w.Wanted {
		return fmt.Errorf("feed: a board without power leaves the feed %s with a %s contact, but %s is wanted; change the contact or what is wanted", is, w.Contact, w.Wanted)
	}
	switch is := w.Reset(); {
	case is == Undefined:
		return fmt.Errorf("feed: without a pull resistor nobody knows what a reset leaves; fit one that holds the line %s, and write pull: %s", w.idle(), w.idle())
	case is != w.Wanted:
		return fmt.Errorf("feed: a board in reset leaves the feed %s with pull %s, but without power %s; fit the resistor that holds the line %s", is, w.Pull, w.Unpowered(), w.idle())
	}
	return nil
}

// idle is the pull under which the contact is not driven.
func (w Wiring) idle() Pull {
	if w.ActiveLow {
		return PullUp
	}
	return PullDown
}

// on says whether the feed is on while the line has the level l.
func (w Wiring) on(l gpio.Level) bool {
	driven := bool(l) != w.ActiveLow
	return driven == (w.Contact == NormallyOpen)
}

// Level is the level of the line at which the feed is on or off. Not for a latching contact.
func (w Wiring) Level(on bool) gpio.Level {
	return gpio.Level(w.on(gpio.High) == on)
}
