package alarm

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// Acknowledged says that somebody knows of an alarm, and until when it is quiet.
type Acknowledged struct {
	Who      string        `json:"who"`
	At       Instant       `json:"at"`
	ClockSet bool          `json:"clock_set"`   // whether At.Wall can be believed
	Until    time.Duration `json:"until_up_ns"` // on the time line of At.Up
}

// Unquieted is an acknowledgement that ended while its alarm goes on.
type Unquieted struct {
	Alarm   Active
	Because string
}

// Acknowledge quiets the active alarms of this name, of one subject or, with "",
// of every one, for quiet or, with 0, for as long as the catalogue allows. It
// returns those it quieted, most urgent first. The error says in words, with the
// remedy, why nothing was done. It does not end an alarm: it only tells who knows.
func (m *Machine) Acknowledge(n Name, subject string, quiet time.Duration, who string, at Instant, clockSet bool) ([]Active, error) {
	e, known := m.entries[n]
	if !known {
		return nil, fmt.Errorf("no alarm is named %q; the alarms are: %s", n, allNames())
	}
	if quiet == 0 {
		quiet = e.QuietMost
	}
	if quiet < 0 || quiet > e.QuietMost {
		return nil, fmt.Errorf("%s can be quiet for %s at most: give that or less", n, Exact(e.QuietMost))
	}
	var done []Active
	var others []string
	for _, t := range m.tracks {
		switch {
		case !t.active:
		case t.alarm.Name == n && (subject == "" || t.alarm.Subject == subject):
			t.alarm.Acknowledged = &Acknowledged{Who: who, At: at, ClockSet: clockSet, Until: at.Up + quiet}
			done = append(done, t.alarm)
		case t.alarm.Subject == "":
			others = append(others, string(t.alarm.Name))
		default:
			others = append(others, fmt.Sprintf("%s of %s", t.alarm.Name, t.alarm.Subject))
		}
	}
	if len(done) == 0 {
		about, active := "", "no alarm is active"
		if subject != "" {
			about = " of " + subject
		}
		if len(others) > 0 {
			slices.Sort(others)
			active = "active now: " + strings.Join(others, ", ")
		}
		return nil, fmt.Errorf("%s%s is not active; %s", n, about, active)
	}
	slices.SortStableFunc(done, m.compare)
	return done, nil
}

func allNames() string {
	var names []string
	for _, e := range Catalogue() {
		names = append(names, string(e.Name))
	}
	return strings.Join(names, ", ")
}

// Unquieted lists the acknowledgements that the last step ended.
func (m *Machine) Unquieted() []Unquieted { return m.unquieted }

// stepQuiet ends the acknowledgements whose time is up, and those of alarms that
// got worse: the people who knew of the one need not know of the other.
func (m *Machine) stepQuiet() {
	m.unquieted = nil
	for _, t := range m.tracks {
		if !t.active || t.alarm.Acknowledged == nil {
			continue
		}
		because := ""
		if m.now.Up >= t.alarm.Acknowledged.Until {
			because = "its quiet time is over and it is still active"
		}
		for _, c := range m.changes {
			if c.Raised && c.Alarm.Name == m.entries[t.alarm.Name].WorsensTo && c.Alarm.Subject == t.alarm.Subject {
				because = "it got worse: " + string(c.Alarm.Name)
			}
		}
		if because != "" {
			t.alarm.Acknowledged = nil
			m.unquieted = append(m.unquieted, Unquieted{Alarm: t.alarm, Because: because})
		}
	}
	slices.SortStableFunc(m.unquieted, func(a, b Unquieted) int { return m.compare(a.Alarm, b.Alarm) })
}

// resumed moves an acknowledgement to a new time line, whose zero is at then.
func (a *Acknowledged) resumed(then time.Duration) *Acknowledged {
	if a == nil {
		return nil
	}
	moved := *a
	moved.At.Up, moved.Until = -since(then, a.At.Up), since(a.Until, then)
	return &moved
}

// worse says whether severity a calls for more haste than b.
func worse(a, b Severity) bool {
	order := []Severity{Notice, Warning, Critical}
	return slices.Index(order, a) > slices.Index(order, b)
}
