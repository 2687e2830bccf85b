package config

import (
	"encoding"
	"fmt"
	"reflect"
	"strconv"
	"strings"
	"time"
)

// Bus is an I2C bus by its name under /dev: "i2c-1".
type Bus string

// Address is an address on the I2C bus.
type Address uint16

func (a Address) String() string { return fmt.Sprintf("0x%02X", uint16(a)) }

func parseBus(text string) (Bus, error) {
	number := strings.TrimPrefix(strings.TrimPrefix(text, "/dev/"), "i2c-")
	n, err := strconv.ParseUint(number, 10, 16)
	if err != nil {
		return "", &valueError{fmt.Sprintf("%q is not an I2C bus", text), "write its number as in /dev/i2c-1: 1"}
	}
	return Bus(fmt.Sprintf("i2c-%d", n)), nil
}

func parseAddress(text string) (Address, error) {
	base, digits := 10, text
	if rest, hex := strings.CutPrefix(strings.ToLower(text), "0x"); hex {
		base, digits = 16, rest
	}
	n, err := strconv.ParseUint(digits, base, 16)
	if err != nil {
		return 0, &valueError{fmt.Sprintf("%q is not an address on the bus", text), "write it like 0x40"}
	}
	return Address(n), nil
}

// form is how a scalar stood in the file.
type form int

const (
	formText form = iota
	formInteger
	formFloat
	formBool
)

func (f form) String() string {
	return [...]string{"text", "a whole number", "a number", "a yes-or-no value"}[f]
}

// ownText is how v reads itself from text, where its type can.
func ownText(v reflect.Value) (encoding.TextUnmarshaler, bool) {
	if !v.CanAddr() {
		return nil, false
	}
	u, ok := v.Addr().Interface().(encoding.TextUnmarshaler)
	return u, ok
}

// Refuse is the error of a type that reads itself from text: what is wrong, and
// how to write it.
func Refuse(what, remedy string) error { return &valueError{what, remedy} }

// set reads text into v, which is a scalar of the schema. Errors are *valueError.
func set(v reflect.Value, text string, f form, tag reflect.StructTag) error {
	switch v.Interface().(type) {
	case Bus:
		bus, err := parseBus(text)
		v.SetString(string(bus))
		return err
	case Address:
		a, err := parseAddress(text)
		v.SetUint(uint64(a))
		return err
	case Line:
		v.SetString(text)
		if text == "" || strings.ContainsFunc(text, func(r rune) bool { return r <= ' ' || r > '~' }) {
			return &valueError{fmt.Sprintf("%q is neither a number nor a name", text), "write it like 17, GPIO17 or gpiochip0"}
		}
		return nil
	case TimeOfDay:
		at, err := time.Parse("15:04", text)
		if err != nil {
			return &valueError{fmt.Sprintf("%q is not a time of day", text), "write it like 22:00"}
		}
		v.SetInt(int64(at.Sub(at.Truncate(24 * time.Hour))))
		return nil
	case time.Duration:
		d, err := parseDuration(text)
		v.SetInt(int64(d))
		return err
	}
	if u, ok := ownText(v); ok {
		return u.UnmarshalText([]byte(text))
	}
	if u, ok := unitOf(v.Interface()); ok {
		q, err := u.parse(text)
		if v.Kind() == reflect.Int64 {
			v.SetInt(int64(min(max(q, -1<<62), 1<<62)))
		} else {
			v.SetFloat(q)
		}
		return err
	}
	switch v.Kind() {
	case reflect.String:
		if f != formText {
			return &valueError{text + " is " + f.String() + ", not text", "put it in quotes if it is meant: " + strconv.Quote(text)}
		}
		v.SetString(text)
		return oneOf(text, tag.Get("oneof"))
	case reflect.Bool:
		if f != formBool {
			return &valueError{fmt.Sprintf("%q is not a yes-or-no value", text), "write true or false"}
		}
		v.SetBool(strings.EqualFold(text, "true"))
		return nil
	case reflect.Int:
		n, err := strconv.Atoi(text)
		if err != nil || f != formInteger {
			return &valueError{fmt.Sprintf("%q is not a whole number", text), "write digits only, without quotes or unit"}
		}
		v.SetInt(int64(n))
		return nil
	case reflect.Float64:
		x, rest, ok := splitNumber(text)
		if !ok || rest != "" || f == formText || f == formBool {
			return &valueError{fmt.Sprintf("%q is not a number", text), "write the number alone; the unit is in the key's name"}
		}
		v.SetFloat(x)
		return nil
	}
	return &valueError{"values of this kind cannot be read", "report this as a fault of the program"}
}

func oneOf(text, words string) error {
	choice := strings.Fields(words)
	for _, w := range choice {
		if w == text {
			return nil
		}
	}
	if len(choice) == 0 {
		return nil
	}
	what := fmt.Sprintf("%q is not one of %s", text, strings.Join(choice, ", "))
	if word, close := nearest(text, choice); close {
		return &valueError{what, fmt.Sprintf("did you mean %q?", word)}
	}
	return &valueError{what, "choose one of them"}
}

// inRange compares v with the min and max of its tag.
func inRange(v reflect.Value, text string, tag reflect.StructTag) error {
	for _, bound := range []string{"min", "max"} {
		limitText := tag.Get(bound)
		if limitText == "" {
			continue
		}
		limit := reflect.New(v.Type()).Elem()
		if err := set(limit, limitText, formInteger, ""); err != nil {
			return err
		}
		value, edge := magnitude(v), magnitude(limit)
		if bound == "min" && value < edge {
			return &valueError{text + " is below " + limitText, "set " + limitText + " or more"}
		}
		if bound == "max" && value > edge {
			return &valueError{text + " is above " + limitText, "set " + limitText + " or less"}
		}
	}
	return nil
}

func magnitude(v reflect.Value) float64 {
	switch {
	case v.CanInt():
		return float64(v.Int())
	case v.CanUint():
		return float64(v.Uint())
	default:
		return v.Float()
	}
}
