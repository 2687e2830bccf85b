package config

import "fmt"

// Bus is an I2C bus by its name under /dev: "i2c-1".
type Bus string

// Address is an address on the I2C bus.
type Address uint16

func (a Address) String() string { return fmt.Sprintf("0x%02X", uint16(a)) }
