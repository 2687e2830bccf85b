package planfile

import (
	"fmt"
	"strconv"
	"strings"

	"candlemark/agent/config"
	"candlemark/agent/plan"
)

// Size is the size of one conductor: a gauge, 23AWG or 1/0AWG, or an area, 0.5mm².
type Size struct {
	AWG     int // 1/0 is 0, 4/0 is -3
	Gauge   bool
	AreaMM2 float64
}

// UnmarshalText reads a size.
func (s *Size) UnmarshalText(data []byte) error {
	text := strings.TrimSpace(string(data))
	const example = "write it like 23AWG, 1/0AWG or 0.5mm²"
	upper := strings.ToUpper(text)
	if number, ok := strings.CutSuffix(upper, "AWG"); ok {
		n, ok := gauge(strings.TrimSpace(number))
		if !ok {
			return config.Refuse(fmt.Sprintf("%q is not a gauge from 4/0 to 40", text), example)
		}
		*s = Size{AWG: n, Gauge: true, AreaMM2: plan.AWGAreaMM2(n)}
		return nil
	}
	for _, unit := range []string{"mm²", "mm2", "mm^2"} {
		number, ok := strings.CutSuffix(text, unit)
		if !ok {
			continue
		}
		area, err := strconv.ParseFloat(strings.TrimSpace(number), 64)
		if err != nil || !(area >= 0.005 && area <= 500) {
			return config.Refuse(fmt.Sprintf("%q is not an area from 0.005 to 500 mm²", text), example)
		}
		*s = Size{AreaMM2: area}
		return nil
	}
	if _, err := strconv.ParseFloat(text, 64); err == nil {
		return config.Refuse(text+" has no unit", "write "+text+"AWG or "+text+"mm²")
	}
	return config.Refuse(fmt.Sprintf("%q is not a size of conductor", text), example)
}

func gauge(text string) (int, bool) {
	if zeros, ok := strings.CutSuffix(text, "/0"); ok {
		n, err := strconv.Atoi(zeros)
		return 1 - n, err == nil && n >= 1 && n <= 4
	}
	n, err := strconv.Atoi(text)
	return n, err == nil && n >= 0 && n <= 40
}
