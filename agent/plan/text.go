package plan

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

func sprintf(format string, args ...any) string { return fmt.Sprintf(format, args...) }

// number prints three digits that mean something, without trailing noise.
func number(x float64) string {
	switch a := math.Abs(x); {
	case a >= 100 || a == 0:
		return strconv.FormatFloat(x, 'f', 0, 64)
	case a >= 9.995:
		return strconv.FormatFloat(x, 'f', 1, 64)
	case a >= 0.0995:
		return strconv.FormatFloat(x, 'f', 2, 64)
	}
	return strconv.FormatFloat(x, 'f', 3, 64)
}

func volts(v float64) string { return number(v) + " V" }
func watts(w float64) string { return number(w) + " W" }
func amps(a float64) string {
	if a == math.Trunc(a) && a < 1000 {
		return strconv.FormatFloat(a, 'f', 0, 64) + " A"
	}
	return number(a) + " A"
}
func ohms(r float64) string {
	if r < 1 {
		return number(1000*r) + " mΩ"
	}
	return number(r) + " Ω"
}
func percent(r float64) string { return strconv.FormatFloat(100*r, 'f', 0, 64) + " %" }

func hours(h float64) time.Duration {
	const most = 10 * 365 * 24
	return time.Duration(math.Min(math.Max(h, 0), most) * float64(time.Hour))
}

// Span prints a length of time as people say it: 6 h 40 min, rounded to 5 min
// from 3 h up, for nothing here is known to the minute that far ahead.
func Span(d time.Duration) string {
	if d >= 3*time.Hour {
		d = d.Round(5 * time.Minute)
	}
	m := int(d.Round(time.Minute) / time.Minute)
	switch {
	case m < 100:
		return sprintf("%d min", m)
	case m >= 100*60:
		return sprintf("%d days", int(math.Round(float64(m)/1440)))
	case m%60 == 0:
		return sprintf("%d h", m/60)
	}
	return sprintf("%d h %02d min", m/60, m%60)
}

func list(words []string) string {
	switch len(words) {
	case 0:
		return ""
	case 1:
		return words[0]
	}
	return strings.Join(words[:len(words)-1], ", ") + " and " + words[len(words)-1]
}
