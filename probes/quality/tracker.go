package quality

// The default sizes of a Tracker, in rounds.
const (
	DefaultWindow = 12
	DefaultNormal = 48
)

// Tracker attributes live. It keeps the newest rounds, and as what is normal those
// that left the window: the first Window of them whatever they show, since the link
// is proved when it is built, then those that left while no fault was shown. A link
// that was bad from the start is normal to it; the evidence then says that what is
// normal is slow or lossy itself. It has no clock: the rounds
// are as far apart as whoever adds them makes them. The zero value is ready, with
// the defaults. It is not safe for several goroutines.
type Tracker struct {
	Limits         Limits // zero: DefaultLimits
	Window, Normal int    // zero: the defaults; a window has at least LeastRounds

	now, normal []Round
	last        Attribution
}

// Add takes a round in and says where a fault lies now.
func (t *Tracker) Add(r Round) Attribution {
	if t.Limits == (Limits{}) {
		t.Limits = DefaultLimits()
	}
	window, normal := orDefault(t.Window, DefaultWindow), orDefault(t.Normal, DefaultNormal)
	t.now = append(t.now, r)
	for len(t.now) > window {
		// A round that shows a fault must not become what is normal, once that is known.
		if len(t.normal) < min(window, normal) || !t.last.FaultShown {
			t.normal = append(t.normal, t.now[0])
		}
		t.now = t.now[1:]
	}
	for len(t.normal) > normal {
		t.normal = t.normal[1:]
	}
	t.last = Attribute(t.now, t.normal, t.Limits)
	return t.last
}

// Last is what Add said last.
func (t *Tracker) Last() Attribution { return t.last }

// Forget starts anew, for when the layout was changed: what was normal no longer is.
func (t *Tracker) Forget() { t.now, t.normal, t.last = nil, nil, Attribution{} }

func orDefault(n, fallback int) int {
	if n == 0 {
		return fallback
	}
	return max(n, LeastRounds)
}
