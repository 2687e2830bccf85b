package config

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// Quantities are held in their base unit. In the file each is written with its
// unit, since a bare number is a guess waiting to be wrong by a factor of 1000.
type (
	Volts     float64 // V
	Amperes   float64 // A
	Ohms      float64 // Ω
	Watts     float64 // W
	AmpHours  float64 // Ah
	WattHours float64 // Wh
	Metres    float64 // m, written in m or ft
	Hertz     float64 // Hz
	BitRate   float64 // bit/s
	Degrees   float64 // degrees of arc
	Celsius   float64 // °C
	Ratio     float64 // 0..1, written in percent
	Bytes     int64   // bytes
)

// unit is how one kind of quantity is written.
type unit struct {
	symbols  []string           // the first is how we write it
	prefixes map[string]float64 // what may stand before the symbol
	example  string             // of a value, for remedies
	bare     string             // the prefixes worth naming when a bare number was given
	others   map[string]float64 // symbols of other systems of units, in the base unit
}

func unitOf(kind any) (unit, bool) {
	switch kind.(type) {
	case Volts:
		return unit{symbols: []string{"V"}, prefixes: prefixes("m", "", "k"), example: "21V", bare: " m"}, true
	case Amperes:
		return unit{symbols: []string{"A"}, prefixes: prefixes("µ", "m", ""), example: "3A", bare: " m"}, true
	case Ohms:
		return unit{symbols: []string{"Ω", "Ohm", "ohm", "\u2126"}, prefixes: prefixes("µ", "m", "", "k"), example: "100mΩ", bare: "m "}, true
	case Watts:
		return unit{symbols: []string{"W"}, prefixes: prefixes("m", "", "k"), example: "2W", bare: " m"}, true
	case AmpHours:
		return unit{symbols: []string{"Ah"}, prefixes: prefixes("m", ""), example: "5Ah", bare: " m"}, true
	case WattHours:
		return unit{symbols: []string{"Wh"}, prefixes: prefixes("m", "", "k"), example: "90Wh"}, true
	case Metres:
		// The foot is 0.3048 m exactly (international yard and pound agreement, 1959).
		return unit{symbols: []string{"m"}, prefixes: prefixes("m", "", "k"), example: "30m",
			others: map[string]float64{"cm": 0.01, "ft": 0.3048, "in": 0.0254}}, true
	case Hertz:
		return unit{symbols: []string{"Hz"}, prefixes: prefixes("k", "M", "G"), example: "2.4GHz", bare: "G M"}, true
	case BitRate:
		return unit{symbols: []string{"bit/s"}, prefixes: prefixes("", "k", "M", "G"), example: "60Mbit/s", bare: "M"}, true
	case Degrees:
		return unit{symbols: []string{"°", "deg"}, prefixes: prefixes(""), example: "40°"}, true
	case Celsius:
		return unit{symbols: []string{"°C", "C"}, prefixes: prefixes(""), example: "-5°C", bare: " "}, true
	case Ratio:
		return unit{symbols: []string{"%"}, prefixes: map[string]float64{"": 0.01}, example: "1%", bare: " "}, true
	case Bytes:
		return unit{symbols: []string{"B"}, prefixes: map[string]float64{
			"": 1, "k": 1e3, "M": 1e6, "G": 1e9, "T": 1e12,
			"Ki": 1 << 10, "Mi": 1 << 20, "Gi": 1 << 30, "Ti": 1 << 40,
		}, example: "20MB", bare: "M "}, true
	}
	return unit{}, false
}

// prefixes are SI prefixes (BIPM, The International System of Units, 9th
// edition, table 7), by their symbol.
func prefixes(symbols ...string) map[string]float64 {
	factor := map[string]float64{"µ": 1e-6, "m": 1e-3, "": 1, "k": 1e3, "M": 1e6, "G": 1e9}
	out := make(map[string]float64, len(symbols)+2)
	for _, s := range symbols {
		out[s] = factor[s]
		if s == "µ" { // the micro sign, the Greek letter and its stand-in are the same prefix
			out["\u03bc"], out["u"] = factor[s], factor[s]
		}
	}
	return out
}

// valueError is a value that could not be read, and how to write it.
type valueError struct{ what, remedy string }

func (e *valueError) Error() string { return e.what + "; " + e.remedy }

// splitNumber takes the number off the front of text.
func splitNumber(text string) (number float64, rest string, ok bool) {
	end := 0
	for end < len(text) && strings.IndexByte("+-.0123456789", text[end]) >= 0 {
		end++
	}
	number, err := strconv.ParseFloat(text[:end], 64)
	if err != nil || math.IsInf(number, 0) || math.IsNaN(number) {
		return 0, text, false
	}
	return number, text[end:], true
}

// parse reads text as a quantity of this unit, in its base unit.
func (u unit) parse(text string) (float64, error) {
	text = strings.TrimSpace(text)
	number, rest, ok := splitNumber(text)
	if !ok {
		return 0, &valueError{fmt.Sprintf("%q is not a quantity", text), "write it like " + u.example}
	}
	rest = strings.TrimSpace(rest)
	if rest == "" {
		return 0, &valueError{text + " has no unit", "write " + u.suggest(number)}
	}
	for _, symbol := range u.symbols {
		prefix, found := strings.CutSuffix(rest, symbol)
		if factor, known := u.prefixes[prefix]; found && known {
			return number * factor, nil
		}
	}
	if factor, known := u.others[rest]; known {
		return number * factor, nil
	}
	return 0, &valueError{fmt.Sprintf("%q is not a unit for this", rest), "write it like " + u.example}
}

// suggest writes a bare number in the ways it was most likely meant.
func (u unit) suggest(number float64) string {
	var ways []string
	for _, prefix := range strings.Split(u.bare, " ") {
		factor := u.prefixes[prefix]
		value := number / factor
		if u.symbols[0] == "Hz" || u.symbols[0] == "bit/s" { // a bare number of these is of the thing people say: GHz, Mbit/s
			ways = append(ways, formatNumber(number)+prefix+u.symbols[0])
			continue
		}
		if prefix != "" && (value < 1 || value >= 1000 || prefix == "M" && number < 1e6) {
			continue // not how anybody would write it
		}
		if u.symbols[0] == "%" { // a bare 0.01 may have been meant as a ratio, a bare 1 as percent
			value = number
			if number > 0 && number < 1 {
				ways = append(ways, formatNumber(number*100)+"%")
			}
		}
		way := formatNumber(value) + prefix + u.symbols[0]
		if len(ways) == 0 || ways[len(ways)-1] != way {
			ways = append(ways, way)
		}
	}
	if _, feet := u.others["ft"]; feet {
		ways = append(ways, formatNumber(number)+"ft")
	}
	return strings.Join(ways, " or ")
}

func formatNumber(x float64) string {
	return strconv.FormatFloat(roundTo(x, 9), 'f', -1, 64)
}

// roundTo drops the noise of binary fractions beyond so many significant digits.
func roundTo(x float64, digits int) float64 {
	y, err := strconv.ParseFloat(strconv.FormatFloat(x, 'g', digits, 64), 64)
	if err != nil {
		return x
	}
	return y
}

// parseDuration reads "30s", "45min" (or "45m"), "1h30m". The smallest unit is the millisecond.
func parseDuration(text string) (time.Duration, error) {
	text = strings.TrimSpace(text)
	const example = "write it like 30s, 45min or 1h30min"
	if number, rest, ok := splitNumber(text); ok && rest == "" {
		n := formatNumber(number)
		return 0, &valueError{text + " has no unit", "write " + n + "s or " + n + "min"}
	}
	units := []struct {
		symbol string
		length time.Duration
	}{{"ms", time.Millisecond}, {"min", time.Minute}, {"m", time.Minute}, {"h", time.Hour}, {"s", time.Second}}
	var total float64
	rest := text
parts:
	for first := true; rest != "" || first; first = false {
		number, after, ok := splitNumber(strings.TrimSpace(rest))
		if !ok || (!first && number < 0) {
			return 0, &valueError{fmt.Sprintf("%q is not a length of time", text), example}
		}
		after = strings.TrimSpace(after)
		for _, u := range units {
			if left, found := strings.CutPrefix(after, u.symbol); found && (left == "" || strings.IndexByte(" .0123456789", left[0]) >= 0) {
				total += number * float64(u.length)
				rest = strings.TrimSpace(left)
				continue parts
			}
		}
		return 0, &valueError{fmt.Sprintf("%q is not a length of time", text), example}
	}
	if math.Abs(total) > float64(10*365*24*time.Hour) {
		return 0, &valueError{fmt.Sprintf("%q is longer than ten years", text), example}
	}
	return time.Duration(math.Round(total)), nil
}
