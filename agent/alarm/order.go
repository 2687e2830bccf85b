package alarm

import (
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"candlemark/agent/pack"
)

// unneeded ends an order to shut the terminal down.
const unneeded = "A swap before then makes this unnecessary"

// order words what to do about an alarm of a pack's time left, with the time by which
// it must be done, which by gives by itself. left is the cautious time left; where it is
// not known the catalogue's words stand alone.
func (m *Machine) order(n Name, p PackInput, left time.Duration, known bool) (action, by string) {
	action = m.entries[n].Action
	if !known || n != ShutTerminalDown && n != BringNextPack {
		return action, ""
	}
	if f := m.feed; f != nil && f.off(p.Name) && n == ShutTerminalDown {
		return m.orderWhileOff(*f, left), ""
	}
	first, rest, ok := strings.Cut(action, ": ")
	if !ok {
		return action, ""
	}
	by = "have it off " + m.deadline(left)
	if left >= time.Minute {
		by += ". " + unneeded
	}
	if n == BringNextPack {
		left -= p.Leads.ShutDown
		if f := m.feed; f != nil && f.off(p.Name) && f.ReturnKnown {
			left = min(left, f.ReturnIn) // then the load is back
		}
		by = "be ready to swap " + m.deadline(left)
		rest, _, _ = strings.Cut(rest, ", and be ready to swap") // that was just said, with its time
	}
	return first + ": " + by + ". " + capital(rest), by
}

// orderWhileOff is what helps when the terminal is off already: the order to shut it
// down would have nothing left to say.
func (m *Machine) orderWhileOff(f FeedInput, left time.Duration) string {
	if f.ReturnKnown && f.ReturnIn < left {
		return "swap the pack before " + m.clock(f.ReturnIn) + ", or lengthen the off: the terminal is off until then, and its load would be back on this pack"
	}
	return "swap the pack before " + m.clock(left) + ": the terminal is off already, and at the present load the pack may be flat then"
}

// deadline is until when, as a time of day where the clock is set.
func (m *Machine) deadline(in time.Duration) string {
	switch {
	case in < time.Minute:
		return "at once"
	case !m.set || m.now.Wall.IsZero():
		return "within " + pack.Left(in)
	}
	return "by " + m.clock(in)
}

// clock is the time of day in so long, with how long that is; only the latter where
// the clock is not set.
func (m *Machine) clock(in time.Duration) string {
	in = max(in, 0)
	if !m.set || m.now.Wall.IsZero() {
		return pack.Left(in) + " from now"
	}
	return m.now.Wall.Add(in).Format("15:04 MST") + " (" + pack.Left(in) + ")"
}

// off says whether the terminal on this pack is known to be without power.
func (f FeedInput) off(name string) bool { return f.Pack == name && !f.On && !f.ByHand }

// Order parts an action into what to do and how or why, at its first colon, semicolon
// or full stop.
func Order(action string) (first, rest string) {
	at := len(action)
	for _, end := range []string{": ", "; ", ". "} {
		if i := strings.Index(action, end); i > 0 && i < at {
			at = i
		}
	}
	if at == len(action) {
		return action, ""
	}
	return action[:at], action[at+2:]
}

func capital(words string) string {
	r, size := utf8.DecodeRuneInString(words)
	return string(unicode.ToUpper(r)) + words[size:]
}
