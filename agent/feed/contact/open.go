package contact

import (
	"errors"
	"io"

	"periph.io/x/conn/v3/gpio"

	"candlemark/agent/gpioline"
)

// Lines says where the lines of a switch are: chip and line as gpioline.Open
// takes them. Open is only for a latching contact.
type Lines struct{ Chip, Drive, Open string }

// OpenSwitch takes the lines without a pulse: the feed is on or off from the first
// as on says, which should be what feed.Machine.View says before its first step. A
// latching contact stays as it is until the first Set.
func OpenSwitch(w Wiring, at Lines, on bool) (*Switch, io.Closer, error) {
	if err := w.Check(); err != nil {
		return nil, nil, err
	}
	var p Pins
	var lines closers
	first := gpio.Level(w.ActiveLow) // both coils of a latching contact at rest
	if w.Contact != Latching {
		first = w.Level(on)
	}
	drive, err := gpioline.Open(at.Chip, at.Drive, first)
	if err != nil {
		return nil, nil, err
	}
	lines = append(lines, drive)
	p.Drive, p.ReadBack = drive, drive.ReadBack
	if w.Contact == Latching {
		open, err := gpioline.Open(at.Chip, at.Open, first)
		if err != nil {
			return nil, nil, errors.Join(err, lines.Close())
		}
		lines = append(lines, open)
		p.Open = open
	}
	s, err := NewSwitch(w, p)
	if err != nil {
		return nil, nil, errors.Join(err, lines.Close())
	}
	return s, lines, nil
}

type closers []io.Closer

func (c closers) Close() error {
	var faults []error
	for _, one := range c {
		faults = append(faults, one.Close())
	}
	return errors.Join(faults...)
}
