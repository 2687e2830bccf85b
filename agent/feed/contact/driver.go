package contact

import (
	"context"
	"errors"
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
	// ReadBack is the level on Drive, and Sense says whether the feed is live
	// behind the contact (an auxiliary contact, an optocoupler). Both may be nil.
	ReadBack func() (gpio.Level, error)
	Sense    func() (live bool, err error)
	// Rest is the level that Drive had before it was taken, where nobody drove it.
	Rest      gpio.Level
	RestKnown bool
}

const (
	pulse = 100 * time.Millisecond // latching relays take some 10 ms; common practice, no source
	// settle is what a contact takes to move and bounce, and a converter's input
	// capacitors to show it.
	settle = 200 * time.Millisecond
)

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

// Set switches, and reads back where it can. It waits only for a latching coil
// (0.1 s) and for Sense (0.2 s).
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
	if s.pins.Sense == nil {
		return nil
	}
	time.Sleep(settle)
	live, err := s.pins.Sense()
	switch {
	case err != nil:
		return fmt.Errorf("feed switch: sense: %w", err)
	case live && !on:
		return errors.New("feed switch: the feed is live although it was switched off: the contact may be welded; pull the fuse before touching anything")
	case !live && on:
		return errors.New("feed switch: the feed is dead although it was switched on: look at the fuse, the contact and its supply")
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

// Finding is one thing that the self-check looked at.
type Finding struct {
	OK   bool
	Text string
}

// Inspect checks without switching what was declared against what was found.
func (s *Switch) Inspect() []Finding {
	out := []Finding{
		{true, fmt.Sprintf("by its wiring a board without power leaves the feed %s, a board in reset %s", s.wiring.Unpowered(), s.wiring.Reset())},
	}
	switch want := gpio.Level(s.wiring.Pull == PullUp); {
	case s.wiring.Pull == NoPull:
	case !s.pins.RestKnown:
		out = append(out, Finding{true, "the level at rest was not seen: the line was an output already; it is seen at the first start after a boot"})
	case s.pins.Rest != want:
		out = append(out, Finding{false, fmt.Sprintf("the line rests %s, but pull %s is declared: a reset would leave the feed another way than declared; check the resistor", s.pins.Rest, s.wiring.Pull)})
	default:
		out = append(out, Finding{true, fmt.Sprintf("the line rests %s, as pull %s says", s.pins.Rest, s.wiring.Pull)})
	}
	if s.pins.ReadBack == nil && s.pins.Sense == nil {
		out = append(out, Finding{true, "nothing can be read back; whether the contact moves is not known"})
	}
	return out
}

// Try toggles the feed and leaves it as it is now. It interrupts the terminal, so
// that it is only for when somebody asked for it. Without anything to read back it
// refuses.
func (s *Switch) Try(ctx context.Context, isOn bool) ([]Finding, error) {
	if s.pins.Sense == nil && s.pins.ReadBack == nil {
		return nil, errors.New("feed switch: nothing can be read back, so that toggling would show nothing")
	}
	var out []Finding
	for _, on := range []bool{!isOn, isOn} {
		f := Finding{true, "set " + word(on) + " and found so"}
		if err := s.Set(on); err != nil {
			f = Finding{false, err.Error()}
		}
		out = append(out, f)
		if on == isOn {
			break
		}
		select {
		case <-time.After(settle):
		case <-ctx.Done(): // the way back is made all the same
		}
	}
	return out, nil
}

func word(on bool) string {
	if on {
		return "on"
	}
	return "off"
}
