package config

import (
	"math"
	"strings"
	"testing"
	"time"
)

// Prefixes are those of the BIPM SI Brochure, 9th edition, table 7; kibi and its
// kin those of IEC 80000-13.
func TestQuantitiesAreReadInTheirBaseUnit(t *testing.T) {
	for _, tt := range []struct {
		kind any
		text string
		want float64
	}{
		{Volts(0), "21V", 21}, {Volts(0), "14.4 V", 14.4}, {Volts(0), "320mV", 0.32}, {Volts(0), "0.05kV", 50},
		{Amperes(0), "3A", 3}, {Amperes(0), "250mA", 0.25}, {Amperes(0), "10µA", 10e-6}, {Amperes(0), "10uA", 10e-6}, {Amperes(0), "10μA", 10e-6},
		{Ohms(0), "100mΩ", 0.1}, {Ohms(0), "100mOhm", 0.1}, {Ohms(0), "100mΩ", 0.1}, {Ohms(0), "0.1ohm", 0.1}, {Ohms(0), "500µΩ", 500e-6},
		{Watts(0), "2W", 2}, {Watts(0), "1.2kW", 1200},
		{AmpHours(0), "5Ah", 5}, {AmpHours(0), "5000mAh", 5},
		{Bytes(0), "20MB", 20e6}, {Bytes(0), "500kB", 500e3}, {Bytes(0), "1GiB", 1 << 30}, {Bytes(0), "7B", 7},
		{Ratio(0), "1%", 0.01}, {Ratio(0), "0.5 %", 0.005},
		{WattHours(0), "90Wh", 90}, {WattHours(0), "1.2 kWh", 1200},
		// foot and inch: international yard and pound agreement, 1959
		{Metres(0), "30m", 30}, {Metres(0), "100ft", 30.48}, {Metres(0), "50cm", 0.5}, {Metres(0), "12 in", 0.3048}, {Metres(0), "1.5km", 1500},
		{Hertz(0), "2.4GHz", 2.4e9}, {Hertz(0), "5500 MHz", 5.5e9}, {BitRate(0), "60Mbit/s", 60e6}, {Degrees(0), "40°", 40}, {Degrees(0), "40deg", 40},
		{Celsius(0), "-5°C", -5}, {Celsius(0), "-5C", -5}, {Celsius(0), "+21.5 °C", 21.5},
	} {
		u, ok := unitOf(tt.kind)
		if !ok {
			t.Fatalf("%T has no unit", tt.kind)
		}
		got, err := u.parse(tt.text)
		if err != nil || math.Abs(got-tt.want) > 1e-12*math.Abs(tt.want) {
			t.Errorf("%T %q: got %v, %v, want %v", tt.kind, tt.text, got, err, tt.want)
		}
	}
}

func TestAQuantityWithoutItsUnitIsRefusedWithWhatWasProbablyMeant(t *testing.T) {
	for _, tt := range []struct {
		kind       any
		text, want string
	}{
		{Ohms(0), "0.1", "0.1 has no unit; write 100mΩ or 0.1Ω"},
		{Ohms(0), "100", "100 has no unit; write 100Ω"},
		{Volts(0), "21", "21 has no unit; write 21V"},
		{Volts(0), "14.4", "14.4 has no unit; write 14.4V"},
		{Amperes(0), "0.5", "0.5 has no unit; write 0.5A or 500mA"},
		{Ratio(0), "0.01", "0.01 has no unit; write 1% or 0.01%"},
		{Ratio(0), "1", "1 has no unit; write 1%"},
		{Bytes(0), "20000000", "20000000 has no unit; write 20MB or 20000000B"},
		{Metres(0), "30", "30 has no unit; write 30m or 30ft"},
		{Hertz(0), "2.4", "2.4 has no unit; write 2.4GHz or 2.4MHz"},
		{BitRate(0), "60", "60 has no unit; write 60Mbit/s"},
		{WattHours(0), "90", "90 has no unit; write 90Wh"},
		{WattHours(0), "90W", `"W" is not a unit for this; write it like 90Wh`},
		{Metres(0), "30yd", `"yd" is not a unit for this; write it like 30m`},
		{Celsius(0), "-5", "-5 has no unit; write -5°C"},
		{Volts(0), "21v", `"v" is not a unit for this; write it like 21V`},
		{Volts(0), "21A", `"A" is not a unit for this; write it like 21V`},
		{Amperes(0), "3kA", `"kA" is not a unit for this; write it like 3A`}, // no pack feeds that
		{AmpHours(0), "5A", `"A" is not a unit for this; write it like 5Ah`},
		{Celsius(0), "41°F", `"°F" is not a unit for this; write it like -5°C`},
		{Volts(0), "V", `"V" is not a quantity; write it like 21V`},
		{Volts(0), "", `"" is not a quantity; write it like 21V`},
		{Volts(0), "NaN V", `"NaN V" is not a quantity; write it like 21V`},
		{Volts(0), "1e3V", `"e3V" is not a unit for this; write it like 21V`},
		{Volts(0), strings.Repeat("9", 400) + "V", "is not a quantity"},
		{Volts(0), "1.2.3V", `"1.2.3V" is not a quantity; write it like 21V`},
		{Volts(0), "12,6V", `",6V" is not a unit for this`},
	} {
		u, _ := unitOf(tt.kind)
		if got, err := u.parse(tt.text); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%T %q: got %v, %v, want %s", tt.kind, tt.text, got, err, tt.want)
		}
	}
}

func TestDurations(t *testing.T) {
	for text, want := range map[string]time.Duration{
		"30s": 30 * time.Second, "45m": 45 * time.Minute, "45min": 45 * time.Minute, "1h30m": 90 * time.Minute, "1h30min": 90 * time.Minute,
		"200ms": 200 * time.Millisecond, "1.5 s": 1500 * time.Millisecond, "1h 5min 3s": time.Hour + 5*time.Minute + 3*time.Second, "0s": 0,
	} {
		if got, err := parseDuration(text); err != nil || got != want {
			t.Errorf("%q: got %v, %v, want %v", text, got, err, want)
		}
	}
	for text, want := range map[string]string{
		"30": "30 has no unit; write 30s or 30min", "": "is not a length of time", "s": "is not a length of time", "5 years": "is not a length of time",
		"1h-5m": "is not a length of time", "1h5": "is not a length of time", "99999999h": "is longer than ten years", "1minute": "is not a length of time",
	} {
		if got, err := parseDuration(text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: got %v, %v, want %s", text, got, err, want)
		}
	}
}
