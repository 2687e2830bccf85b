package alarm

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"candlemark/agent/pack"
)

// fill puts subject and detail into a title.
func fill(template, subject, detail string) string {
	return strings.NewReplacer("{subject}", subject, "{detail}", detail).Replace(template)
}

// about is a remaining time with the word that says it is an estimate.
func about(d time.Duration) string {
	if d < time.Minute {
		return pack.Left(d)
	}
	return "about " + pack.Left(d)
}

// Label names an active alarm for people: its name and what it is about.
func Label(a Active) string {
	return strings.TrimSpace(string(a.Name) + " " + a.Subject)
}

// Exact words a set or elapsed time, to the second.
func Exact(d time.Duration) string {
	d = max(d.Round(time.Second), 0)
	h, m, s := d/time.Hour, d%time.Hour/time.Minute, d%time.Minute/time.Second
	var parts []string
	if h > 0 {
		parts = append(parts, fmt.Sprintf("%d h", h))
	}
	if m > 0 {
		parts = append(parts, fmt.Sprintf("%d min", m))
	}
	if s > 0 || len(parts) == 0 {
		parts = append(parts, fmt.Sprintf("%d s", s))
	}
	return strings.Join(parts, " ")
}

// span words the range that 9 in 10 end in without saying "min" twice.
func span(low, high time.Duration) string {
	lo, hi := pack.Left(low), pack.Left(high)
	if lo == hi {
		return lo
	}
	if !strings.Contains(lo, "h") && !strings.Contains(hi, "h") {
		return strings.TrimSuffix(lo, " min") + " to " + hi
	}
	return lo + " to " + hi
}

// figure words a known forecast: what is expected, its range, the cautious
// figure that the alarms go by, and the load it assumes.
func figure(f pack.Forecast) string {
	return fmt.Sprintf("%s left (9 in 10: %s; cautious: %s, %.3g in 100 end sooner) at %.1f W",
		about(f.Expected), span(f.Low, f.High), pack.Left(f.Cautious), 100*pack.CautiousLevel, f.LoadW)
}

// unfamiliar warns that a figure is wide because the pack was never measured
// before, so that an early warning is not taken for a false one.
func unfamiliar(f pack.Forecast) string {
	words := ""
	if slices.Contains(f.Basis, pack.NoHistory) {
		words = "; this pack was not measured before, so the figure is cautious"
	}
	if slices.Contains(f.Basis, pack.AssumedTemp) {
		words += "; its temperature is not measured: in the cold expect less"
	}
	return words
}

// notKnown says why there is no present figure.
func notKnown(f pack.Forecast) string {
	switch f.State {
	case pack.Resting:
		return "no load now, so no present figure"
	case pack.Absent:
		return "no pack is seen now"
	}
	if f.Why != "" {
		return "no present figure (" + f.Why + ")"
	}
	return "no present figure"
}

// plural words a count.
func plural(n int, one string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %ss", n, one)
}
