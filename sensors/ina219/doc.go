// Package ina219 reads a battery pack through an INA219 current and voltage
// monitor on an I2C bus.
//
// # Model
//
// The chip measures the voltage across a shunt (IN+ minus IN−, 10 µV a step,
// ±320 mV at gain ÷8) and the bus voltage from IN− to ground (4 mV a step, 32 V
// range). Each Read waits for a conversion that ends after Read was called (its
// shunt part, the first, may have ended up to 68 ms before the call): it
// clears the conversion-ready bit by reading the power register, polls the bus
// register until the bit is set, takes the shunt register, and only then checks
// that configuration and calibration still are what was written. A chip that
// browned out in between has lost them, so its figures are thrown away, the
// settings are written again and a fresh conversion is awaited; Stats counts it.
//
// Current comes from the shunt register and the shunt's resistance in exact
// integers. The chip's own current register is not used: it reads 0 for ever
// once the calibration is lost. Calibration is nevertheless written, with the
// value that makes the current register equal the shunt register, because then
// the overflow bit cannot be set; if it is set all the same, the reading says
// SettingsFault.
//
// # Which side of the shunt
//
// The bus pin is IN−. Wired the usual way (IN+ to the pack, IN− to the load) the
// pack's voltage is bus plus shunt. Turned round (IN− to the pack) the bus
// voltage is the pack's, and the shunt voltage changes its sign.
//
// # Limits
//
// No more than 26 V may reach the chip, whatever the 32 V range suggests. A bus
// voltage surely above is an error (ErrBeyondRating) and no reading. A shunt voltage at ±320 mV is reported as Clipped. At 128-fold averaging a
// conversion takes 68 ms for the shunt and then 68 ms for the bus, so the two
// figures of a reading are that far apart. Resistors in series with IN− shift
// the bus voltage (about 56 µA flow into the pin at 18 V). The chip has no
// thermometer. An I2C transfer cannot be abandoned: a bus that hangs in the
// kernel holds Read for the kernel's own time-out.
//
// # Sources
//
// Texas Instruments, INA219 Zero-Drift, Bidirectional Current/Power Monitor
// With I2C Interface, data sheet SBOS448 (pages cited are those of revision F).
package ina219
