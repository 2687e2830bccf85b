package feed

import (
	"time"

	"candlemark/agent/pack"
)

// settleFor is how long after a switching the forecast's load may still be that of
// before, or of both: it is a mean over the last minutes. Rule of thumb.
const settleFor = 2 * time.Minute

// loads are the pack's loads as last measured, in W; each is valid above 0.
type loads struct{ onW, offW float64 }

// learnLoad remembers the load that goes with how the feed is now.
func (m *Machine) learnLoad() {
	f := m.in.Forecast
	// Where nobody knows when somebody follows the advice, no load is that of on or off.
	if !m.setup.Switched || !m.fresh() || !m.settled() || f.State != pack.Discharging || !f.Known || !(f.LoadW > 0) {
		return
	}
	if m.on {
		m.loads.onW = f.LoadW
	} else {
		m.loads.offW = f.LoadW
	}
}

// settled says whether the forecast's load is that of the feed as it is now. A terminal
// that starts draws another load than one that works.
func (m *Machine) settled() bool {
	if !m.switched {
		return true // on since the start
	}
	wait := settleFor
	if m.on {
		wait += m.setup.StartUp
	}
	return m.in.ReadingUp-m.switchedUp >= wait
}

// turned notes a switching.
func (m *Machine) turned(on bool) {
	if on != m.on {
		m.switched, m.switchedUp = true, m.in.Now.Up
	}
	m.on = on
}

// onLoad is the load in W with the terminal on, while the feed is off and the load
// without it is baseW: as it was measured or, before it was, by the terminal's label.
func (m *Machine) onLoad(baseW float64) (w float64, ok bool) {
	if m.loads.onW > baseW {
		return m.loads.onW, true
	}
	return baseW + m.setup.TerminalW, m.setup.TerminalW > 0
}

// baseLoad is the load in W without the terminal, while the feed is on and the load
// with it is onW; likewise.
func (m *Machine) baseLoad(onW float64) (w float64, ok bool) {
	if m.loads.offW > 0 && m.loads.offW < onW {
		return m.loads.offW, true
	}
	return max(onW-m.setup.TerminalW, 0), m.setup.TerminalW > 0
}

// afterReturn is how long the pack lasts from the feed's return on; ok is false where
// the return, the forecast or the load with the terminal on is not known.
func (m *Machine) afterReturn(in time.Duration, known bool) (r Runtime, ok bool) {
	f := m.in.Forecast
	if m.on || !known || !m.fresh() || !m.settled() || f.State != pack.Discharging || !f.Known {
		return Runtime{}, false
	}
	onW, ok := m.onLoad(f.LoadW)
	if !ok {
		return Runtime{}, false
	}
	at := func(d time.Duration) time.Duration {
		d, is := scale(max(d-in, 0), f.LoadW, onW)
		ok = ok && is
		return d
	}
	r = Runtime{onW, at(f.Expected), at(f.Low), at(f.High)}
	return r, ok
}
