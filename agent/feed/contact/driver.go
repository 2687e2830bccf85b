package contact

import (
	"fmt"
	"time"

	"periph.io/x/conn/v3/gpio"
)

// Driver switches the feed.
type Driver interface {
	Set(on bool) error
}

// Output is the one thing that a driver needs of a line; gpio.PinOut has it.
type Output interface {
	Out(gpio.Level) error
}

// Pins are the lines of one switch.
type Pins struct {
	Drive Output // of a latching contact: the coil that closes
	Open  Output // the coil that opens; only of a latching contact
	// ReadBack is the level on Drive; nil where it cannot be had.
	ReadBack func() (gpio.Level, error)
}

const pulse = 100 * time.Millisecond // latching relays take some 10 ms; common practice, no source

// Switch is a Driver over GPIO lines.
type Switch struct {
	wiring Wiring
	pins   Pins
}

// NewSwitch joins lines that were taken already, see Wiring.Level for the first
// level. It changes nothing.
func NewSwitch(w Wiring, p Pins) (*Switch, error) {
	if err := w.Check(); err != nil {
		return nil, err
	}
	if p.Drive == nil || (p.Open != nil) != (w.Contact == Latching) {
		return nil, fmt.Errorf("feed: a %s contact needs %s", w.Contact, map[bool]string{true: "two lines, one to close and one to open", false: "one line"}[w.Contact == Latching])
	}
	return &Switch{w, p}, nil
}

// Set switches, and reads back where it can. It waits only for a latching coil (0.1 s).
func (s *Switch) Set(on bool) error {
	if err := s.drive(on); err != nil {
		return fmt.Errorf("feed switch: set %s: %w", word(on), err)
	}
	if s.pins.ReadBack != nil && s.wiring.Contact != Latching {
		want := s.wiring.Level(on)
		if got, err := s.pins.ReadBack(); err != nil {
			return fmt.Errorf("feed switch: read back: %w", err)
		} else if got != want {
			return fmt.Errorf("feed switch: the line was set %s and reads %s: look for a short circuit or a second driver", want, got)
		}
	}
	return nil
}

func (s *Switch) drive(on bool) error {
	if s.wiring.Contact != Latching {
		return s.pins.Drive.Out(s.wiring.Level(on))
	}
	coil := s.pins.Open
	if on {
		coil = s.pins.Drive
	}
	active := gpio.Level(!s.wiring.ActiveLow)
	if err := coil.Out(active); err != nil {
		return err
	}
	time.Sleep(pulse)
	return coil.Out(!active)
}

func word(on bool) string {
	if on {
		return "on"
	}
	return "off"
}
