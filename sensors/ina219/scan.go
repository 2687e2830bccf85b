package ina219

import (
	"fmt"

	"periph.io/x/conn/v3/i2c"
)

// Found is a chip that a scan met.
type Found struct {
	Address uint16
	// Config is its configuration register.
	Config uint16
	// Likely says that the register holds what an INA219 has after power-on or
	// after this driver: another kind of chip may sit at the same address.
	Likely bool
}

// Scan looks for chips at the sixteen addresses of an INA219. It only reads the
// configuration register, which disturbs no chip. An address where nothing
// answers is not an error; a bus that cannot be used is.
func Scan(bus i2c.Bus) ([]Found, error) {
	var found []Found
	for a := uint16(FirstAddress); a <= LastAddress; a++ {
		var first, again [2]byte
		if err := bus.Tx(a, []byte{RegConfig}, first[:]); err != nil {
			continue // nobody there
		}
		if err := bus.Tx(a, []byte{RegConfig}, again[:]); err != nil {
			return found, fmt.Errorf("ina219 %v/0x%02x: read configuration again: %w", bus, a, err)
		}
		v := uint16(first[0])<<8 | uint16(first[1])
		found = append(found, Found{Address: a, Config: v, Likely: first == again && (v == PowerOnConfig || v == settings)})
	}
	return found, nil
}

// ScanBus is Scan on the machine's own bus /dev/i2c-N. Its error keeps the
// kernel's cause: fs.ErrNotExist for an absent bus, fs.ErrPermission for one this
// user may not open.
func ScanBus(n int) ([]Found, error) {
	b, err := openBus(n)
	if err != nil {
		return nil, err
	}
	defer b.Close()
	return Scan(b)
}
