package ina219

import (
	"fmt"
	"os"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/host/v3/sysfs"
)

// Open makes a sensor on the machine's own bus /dev/i2c-N. Only the
// configuration can be at fault here: the bus is opened by the first Read and
// again by each Read after one that failed, so that a bus or a chip may come
// later, go, and come back.
func Open(cfg Config) (*Device, error) {
	return newDevice(cfg, func() (i2c.BusCloser, error) {
		n, err := cfg.BusNumber()
		if err != nil {
			return nil, err
		}
		return openBus(n)
	})
}

func openBus(n int) (i2c.BusCloser, error) {
	b, err := sysfs.NewI2C(n)
	if err == nil {
		return b, nil
	}
	// The library keeps only the text of the cause and guesses at a remedy; the
	// kernel's own answer can be tested with errors.Is.
	f, cause := os.OpenFile(fmt.Sprintf("/dev/i2c-%d", n), os.O_RDWR, 0)
	if cause != nil {
		return nil, cause
	}
	f.Close()
	return nil, err
}
