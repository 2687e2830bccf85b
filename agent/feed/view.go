package feed

import "time"

// View is the feed as it is now, for metrics, the page and alarms.
type View struct {
	Switched bool // a switch is fitted; else On is what was advised
	On       bool
	Mode     Mode
	Stage    Stage
	Cause    Cause     // of the mode
	Schedule *Schedule // in force, or to go on after the present off
	// ChangeIn is the time to the next change that is known; valid where ChangeKnown.
	ChangeIn    time.Duration
	ChangeKnown bool
	// After is how long the pack lasts from the return on, while the feed is off, by the
	// load as it was with the feed on; valid where AfterKnown.
	After      Runtime
	AfterKnown bool
	Cuts       Cuts   // since the agent started
	Text       string // all of it in words
}

// Cuts counts how often the feed was cut, by cause; without a switch, how often that
// was advised.
type Cuts struct{ Request, Schedule, Shed uint64 }

// CutComing says whether a cut was announced that people have to know of: a
// schedule's is none.
func (v View) CutComing() bool {
	return v.Stage == StageWarned || v.Stage == StageClosing && v.Mode != ModeScheduled
}

// View is the feed at the newest step.
func (m *Machine) View() View {
	v := View{Switched: m.setup.Switched, On: m.on, Mode: m.mode, Stage: m.stage, Cause: m.cause, Cuts: m.cuts}
	if m.plan != nil {
		p := *m.plan
		v.Schedule = &p
	}
	switch {
	case m.stage == StageWarned:
		v.ChangeIn, v.ChangeKnown = m.stageUp+m.setup.closeFor()-m.in.Now.Up, true
	case m.stage == StageClosing:
		v.ChangeIn, v.ChangeKnown = m.stageUp-m.in.Now.Up, true
	case m.mode == ModeOff, m.mode == ModeScheduled:
		v.ChangeIn, v.ChangeKnown = m.due-m.in.Now.Up, !m.unsure
	}
	v.ChangeIn = max(v.ChangeIn, 0)
	v.After, v.AfterKnown = m.afterReturn(v.ChangeIn, v.ChangeKnown)
	v.Text = v.text()
	return v
}

func (v View) text() string {
	is, next := "off", "; on in "
	if v.On {
		is, next = "on", "; off in "
	}
	text := "the terminal's feed is " + is
	if !v.Switched {
		text = "advice, no switch is fitted: the terminal's feed should be " + is
	}
	if v.Cause.Why != "" {
		text += ": " + v.Cause.Why
	}
	switch {
	case v.ChangeKnown:
		text += next + words(v.ChangeIn)
	case v.Mode == ModeShed:
		text += "; " + returnsOn
	case !v.On:
		text += "; on as soon as the pack is known to be above its reserve"
	}
	return text
}
