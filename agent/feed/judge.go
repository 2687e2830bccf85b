package feed

import (
	"fmt"
	"math"
	"time"

	"candlemark/agent/pack"
)

type answer int

const (
	no      answer = iota
	unclear        // says nothing either way
	yes
)

func verdict(is bool) answer {
	if is {
		return yes
	}
	return no
}

// hold counts how long a condition has held, in time and in readings.
type hold struct {
	on                bool
	first, last, mark time.Duration
	confirmed         bool
}

// step reports whether the condition has held for need and in two readings at least.
func (h *hold) step(v answer, now, need, reading time.Duration) bool {
	if v == no || h.on && v == unclear && now-h.last > unclearGap {
		*h = hold{}
	}
	if v != yes {
		return false
	}
	if !h.on {
		*h = hold{on: true, first: now, mark: reading}
	}
	h.last = now
	h.confirmed = h.confirmed || reading != h.mark
	return h.confirmed && now-h.first >= need
}

// atReserve says whether the pack is at its reserve with the terminal on, or at
// its cut-off where the operator overrode the reserve.
func (m *Machine) atReserve() (why string, v answer) {
	if m.setup.Reserve == 0 {
		return "", no
	}
	if !m.fresh() {
		return "", unclear
	}
	if m.in.Forecast.State == pack.Charging {
		return "", no
	}
	if m.flat {
		return "the pack is at its cut-off", yes
	}
	left, known := m.remaining()
	if !known {
		return "", unclear
	}
	if m.override || left > m.setup.Reserve {
		return "", no
	}
	return fmt.Sprintf("the pack has %s left with the terminal on (cautious figure), its reserve is %s",
		pack.Left(left), words(m.setup.Reserve)), yes
}

// remaining is the cautious remaining time with the terminal on.
func (m *Machine) remaining() (time.Duration, bool) {
	f := m.in.Forecast
	if f.State == pack.Discharging && f.Known {
		onW, ok := m.onLoad(f.LoadW)
		if m.on || !ok {
			return f.Cautious, true
		}
		return scale(f.Cautious, f.LoadW, onW)
	}
	if f.State != pack.Resting && f.State != pack.Discharging || !f.ChargeKnown || !f.CapacityKnown || m.setup.TerminalW == 0 {
		return 0, false
	}
	wattHours := f.ChargeRatio * f.CapacityAh * f.CutoffV
	return span(wattHours / m.setup.TerminalW * float64(time.Hour))
}

// scale is d at fromW as time at toW: the energy is the same.
func scale(d time.Duration, fromW, toW float64) (time.Duration, bool) {
	if !(fromW > 0) || !(toW > 0) {
		return 0, false
	}
	return span(float64(d) * (fromW / toW))
}

// span makes a duration of ns, unless it is none.
func span(ns float64) (time.Duration, bool) {
	if math.IsNaN(ns) || ns < 0 {
		return 0, false
	}
	if ns > float64(100*365*24*time.Hour) {
		return 100 * 365 * 24 * time.Hour, true
	}
	return time.Duration(ns), true
}

// words says a set time, to the second.
func words(d time.Duration) string {
	d = max(d.Round(time.Second), 0)
	h, min, s := d/time.Hour, d%time.Hour/time.Minute, d%time.Minute/time.Second
	switch {
	case h > 0 && min > 0:
		return fmt.Sprintf("%d h %d min", h, min)
	case h > 0:
		return fmt.Sprintf("%d h", h)
	case min > 0 && s > 0:
		return fmt.Sprintf("%d min %d s", min, s)
	case min > 0:
		return fmt.Sprintf("%d min", min)
	}
	return fmt.Sprintf("%d s", s)
}
