// Package sensors holds the one type that every sensor produces: a Reading of a
// battery pack. The subpackages are the ways to get one: an INA219 over I2C
// (ina219), a simulated pack behind a register-exact fake (simulated), and a
// recorded discharge (trace).
//
// A sensor knows nothing of alarms, metrics, logs or the agent.
package sensors

import "time"

// Reading is one sample of one pack.
//
// The pack's own sign convention holds everywhere in candlemark: current is
// positive while the pack discharges and negative while it is charged.
type Reading struct {
	// At is when the conversion ended. It keeps its monotonic reading, so two
	// of them may be subtracted even when the wall clock was wrong or was set.
	At time.Time

	PackV float64 // V at the pack's terminals (bus plus shunt where the sensor sits on the load side)
	PackA float64 // A, positive on discharge
	BusV  float64 // V as the chip measured it, on its own side of the shunt

	// TempC is the pack's temperature in degrees Celsius; unknown unless TempKnown.
	TempC     float64
	TempKnown bool

	// Clipped says that the shunt voltage sat at the end of its range, so that
	// the true current is at least PackA and the charge count is a lower bound.
	Clipped bool
	// SettingsFault says that the chip reported a calculation overflow: its
	// settings are wrong for this load. PackA, which is computed from the shunt
	// register, still stands unless Clipped.
	SettingsFault bool

	// ErrV, ErrA and ErrW bound the error of voltage, current and power
	// (V, A, W; worst-case sums of the data sheet's maxima and the shunt's tolerance).
	ErrV, ErrA, ErrW float64
}

// PackW is the power drawn from the pack, in watts.
func (r Reading) PackW() float64 { return r.PackV * r.PackA }

// Sensor reads one pack. Read blocks for at most about a second; it takes no
// context because an I2C transfer cannot be abandoned, so one goroutine owns a
// Sensor and a stale reading is noticed by whoever waits for it.
type Sensor interface {
	// Read returns a fresh reading, or an error that names bus, address and
	// step. After an error the next Read starts over: a sensor may come and go.
	Read() (Reading, error)
	// String names the sensor for people: "ina219 i2c-1/0x40".
	String() string
	// Close frees the bus.
	Close() error
}
