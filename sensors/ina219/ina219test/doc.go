// Package ina219test is a register-exact fake of INA219 chips on an I2C bus,
// for tests and for the simulated pack.
//
// # Model
//
// A Bus answers transactions for the chips on it; a Chip keeps the six registers
// and converts on the data sheet's time table (9 to 12 bits, 2 to 128 samples,
// shunt first and then bus) by package time, so that it works inside
// testing/synctest. Conversion-ready, overflow, gain, ranges, sign, reset and
// the power-on values follow the data sheet.
//
// # Limits
//
// A conversion takes the input at its end instead of averaging over it. The
// coarser steps of the 9 to 11 bit settings and the analogue errors are not
// modelled: a Source may add noise of its own.
//
// # Sources
//
// Texas Instruments, data sheet SBOS448F: tables 2 to 7 and pages 25 to 30.
package ina219test
