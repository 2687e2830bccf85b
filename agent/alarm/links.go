package alarm

import (
	"fmt"
	"slices"
	"strings"

	"candlemark/probes"
)

// targetMemo counts one target's probes. misses and hits are in a row and stop
// at the levels that matter.
type targetMemo struct {
	probes       uint64
	misses, hits int
}

func (m *Machine) stepTargets(targets []TargetInput, trouble string) {
	seen := map[string]bool{}
	var hops, uplinks []string
	for _, in := range targets {
		if seen[in.Name] {
			continue
		}
		seen[in.Name] = true
		m.countProbe(in)
		switch in.Section {
		case probes.Hop:
			hops = append(hops, in.Name)
			m.stepHop(in.Name)
		case probes.Uplink:
			uplinks = append(uplinks, in.Name)
		}
	}
	if len(uplinks) > 0 {
		m.stepLink(uplinks, hops, trouble)
	}
	for name := range m.targets {
		if !seen[name] {
			delete(m.targets, name)
		}
	}
}

// countProbe takes in a probe that ended since the last step. A count that
// changed any way is a fresh answer: a lower one was started anew.
func (m *Machine) countProbe(in TargetInput) {
	memo := m.targets[in.Name]
	if memo == nil {
		memo = &targetMemo{}
		m.targets[in.Name] = memo
	}
	if in.Probes == memo.probes {
		return
	}
	memo.probes = in.Probes
	switch {
	case in.Probes == 0:
		memo.misses, memo.hits = 0, 0
	case in.Answer:
		memo.misses, memo.hits = 0, min(memo.hits+1, hitsToClear)
	default:
		memo.misses, memo.hits = min(memo.misses+1, missesToRaise), 0
	}
}

func (m *Machine) down(name string) bool { return m.targets[name].misses >= missesToRaise }
func (m *Machine) back(name string) bool { return m.targets[name].hits >= hitsToClear }

func (m *Machine) stepHop(name string) {
	t := m.track(HopDown, name)
	switch {
	case !t.active && m.down(name):
		unanswered := fmt.Sprintf("no answer in %s in a row", plural(missesToRaise, "probe"))
		m.raise(t, unanswered, unanswered)
	case t.active && m.back(name):
		m.clear(t, fmt.Sprintf("it has answered %s in a row", plural(hitsToClear, "probe")))
	}
}

func (m *Machine) stepLink(uplinks, hops []string, trouble string) {
	t := m.track(LinkDown, "")
	switch {
	case !t.active && !slices.ContainsFunc(uplinks, func(u string) bool { return !m.down(u) }):
		because := fmt.Sprintf("%s left %s in a row each without an answer: %s",
			plural(len(uplinks), "uplink target"), plural(missesToRaise, "probe"), strings.Join(uplinks, ", "))
		m.raise(t, m.linkDetail(uplinks, hops, trouble), because)
	case t.active:
		if i := slices.IndexFunc(uplinks, m.back); i >= 0 {
			m.clear(t, fmt.Sprintf("%s has answered %s in a row", uplinks[i], plural(hitsToClear, "probe")))
			return
		}
		m.retitle(t, m.linkDetail(uplinks, hops, trouble))
	}
}

// linkDetail says which part is silent, and where the fault lies once the probes
// show it.
func (m *Machine) linkDetail(uplinks, hops []string, trouble string) string {
	detail := "no uplink target answers (" + strings.Join(uplinks, ", ") + ")"
	var down, answering []string
	for _, h := range hops {
		switch {
		case m.down(h):
			down = append(down, h)
		case m.targets[h].hits > 0:
			answering = append(answering, h)
		}
	}
	if len(down) > 0 {
		detail += "; on this side " + strings.Join(down, ", ") + " does not answer either"
	}
	if len(answering) > 0 {
		detail += "; on this side " + strings.Join(answering, ", ") + " answers"
	}
	if trouble != "" {
		detail += "; " + trouble
	}
	return detail
}
