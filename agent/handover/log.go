package handover

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"candlemark/agent/alarm"
	"candlemark/agent/feed"
	"candlemark/agent/journal"
)

// clockSlack is by how much wall clock and uptime may drift apart within a boot
// before a stamp counts as wrong: an undisciplined crystal loses some seconds a day.
const clockSlack = 60 * time.Second

// timed makes the entries of the log with their times put right. Within a boot the
// wall clock less the uptime is one number as long as the clock is right, so the
// last record of a boot dates the earlier ones.
func timed(in Input) []Entry {
	base := map[string]time.Time{} // when each boot began, by its last record
	for _, r := range in.Records {
		base[r.Boot] = r.Wall.Add(-r.Up)
	}
	if in.Boot != "" && in.ClockSet && in.Up > 0 {
		base[in.Boot] = in.Now.Add(-in.Up)
	}
	var out []Entry
	var last time.Time
	for _, r := range in.Records {
		e := Entry{
			At: r.Wall, Kind: oneLine(string(r.Kind)), Subject: oneLine(r.Subject), Who: oneLine(r.Who),
			Text: orNot(r.Text), Changed: changes(r.Kind), Seq: r.Seq,
		}
		right := base[r.Boot].Add(r.Up)
		if d := right.Sub(r.Wall); r.Boot != "" && (d > clockSlack || d < -clockSlack) {
			e.At, e.Clock = right, "~"
		}
		if e.At.IsZero() || e.At.Before(last.Add(-clockSlack)) || e.At.After(in.Now.Add(clockSlack)) {
			e.Clock = "?" // earlier than what was recorded before it, or yet to come
		} else {
			last = e.At
		}
		e.Local, e.UTC = localTime(e.At, in.Now), utcTime(e.At, in.Now)
		out = append(out, e)
	}
	return out
}

// changes says whether a record of this kind is somebody's or something's change
// of what is in service.
func changes(k journal.Kind) bool {
	switch k {
	case journal.KindSwap, journal.KindConfig, journal.KindNote, journal.KindIncident, journal.KindAgent, journal.KindFeed:
		return true
	}
	return false
}

// The ranks of a record on the one-page form: what people wrote stands before what is
// worth knowing, that before alarms, and those before what the page shows elsewhere,
// what is routine, or what a machine noted for machines.
const (
	byPeople = iota
	worthKnowing
	alarmed
	routine
)

func rank(e Entry) int {
	switch journal.Kind(e.Kind) {
	case journal.KindNote:
		if _, _, ok := label(e.Text); ok {
			return worthKnowing // it stands in its own place too
		}
		return byPeople
	case journal.KindSwap, journal.KindIncident:
		return byPeople
	case journal.KindConfig, journal.KindSelf, journal.KindOff, journal.KindFault:
		return worthKnowing
	case journal.KindFeed: // what somebody asked for stands; what the agent switches then is routine
		if e.Who != feed.Agent {
			return worthKnowing
		}
	case journal.KindAlarm:
		switch {
		case e.Who != "":
			return worthKnowing // somebody acknowledged it
		case !strings.HasPrefix(e.Text, "cleared") && !strings.HasPrefix(e.Subject, string(alarm.BringNextPack)):
			return alarmed
		}
	}
	return routine
}

// fold puts the raisings of one alarm on one line, that of the newest, with their count.
func fold(log []Entry) (out []Entry, folded int) {
	type run struct {
		first Entry
		n     int
	}
	isRaise := func(e Entry) bool {
		return journal.Kind(e.Kind) == journal.KindAlarm && strings.HasPrefix(e.Text, "raised")
	}
	runs := map[string]run{}
	for _, e := range log {
		if r, ok := runs[e.Subject]; isRaise(e) {
			if !ok {
				r.first = e
			}
			r.n++
			runs[e.Subject] = r
		}
	}
	left := map[string]int{}
	for k, r := range runs {
		left[k] = r.n
	}
	for _, e := range log {
		if r := runs[e.Subject]; isRaise(e) && r.n > 1 {
			if left[e.Subject]--; left[e.Subject] > 0 {
				folded++
				continue
			}
			e.Text = fmt.Sprintf("%d times since %s%s, last %s", r.n, r.first.Local, r.first.Clock, e.Text)
		}
		out = append(out, e)
	}
	return out, folded
}

// labels are the words with which a note says where on the page it belongs, as in
// "weak: the cable at the door".
func labels() []string {
	return []string{"arrangement", "fed", "objective", "weak", "hazard", "unknown", "resources"}
}

// label splits a note that begins with a label and a colon.
func label(text string) (which, rest string, ok bool) {
	before, after, colon := strings.Cut(text, ":")
	which, rest = strings.ToLower(strings.TrimSpace(before)), strings.TrimSpace(after)
	return which, rest, colon && rest != "" && slices.Contains(labels(), which)
}

type labelledNotes map[string][]Entry

// labelled sorts out the notes that begin with a label.
func labelled(entries []Entry) labelledNotes {
	out := labelledNotes{}
	for _, e := range entries {
		if which, rest, ok := label(e.Text); ok && journal.Kind(e.Kind) == journal.KindNote {
			e.Text = rest
			out[which] = append(out[which], e)
		}
	}
	return out
}

// newest is the newest note of the label with its time.
func (n labelledNotes) newest(label string) (text string, ok bool) {
	list := n[label]
	if len(list) == 0 {
		return "", false
	}
	e := list[len(list)-1]
	return fmt.Sprintf("%s (%s%s)", e.Text, e.Local, e.Clock), true
}

// all are the notes of the label, newest first.
func (n labelledNotes) all(label string) []string {
	var out []string
	for i := len(n[label]) - 1; i >= 0; i-- {
		e := n[label][i]
		out = append(out, fmt.Sprintf("%s (%s%s)", e.Text, e.Local, e.Clock))
	}
	return out
}

// log fills the activity log, newest last.
func (p *Page) log(in Input, entries []Entry, notes labelledNotes) {
	p.LogFrom = orNot(in.SinceWhy)
	if !in.Since.IsZero() {
		p.LogFrom += ", from " + dated(in.Since, in.Now.Location()) + " to "
		if in.Until.IsZero() {
			p.LogFrom += "now"
		} else {
			p.LogFrom += dated(in.Until, in.Now.Location())
		}
	}
	if ago := in.Now.Sub(in.Until); !in.Until.IsZero() && ago > 0 {
		p.LogFrom += "; this period ended " + age(ago) + "; later entries are not shown"
	}
	for _, e := range entries {
		// An entry whose time nobody knows is shown rather than lost.
		if e.Clock != "?" && (e.At.Before(in.Since) || !in.Until.IsZero() && e.At.After(in.Until)) {
			continue
		}
		p.Log = append(p.Log, e)
	}
	resources, ok := notes.newest("resources")
	if !ok {
		resources = NotRecorded
	}
	name, when := orNot(in.Incident.Name), period(in)
	if !in.Full {
		name, when = "as above", "as above"
	}
	p.Activity = []Row{
		{"214-1", "Incident", name},
		{"214-2", "Operational period", when},
		{"214-3", "Name", orNot(in.Preparer.Name)},
		{"214-4", "Position", orNot(in.Preparer.Position)},
		{"214-5", "Home agency", orNot(in.Preparer.Agency)},
		{"214-6", "Resources assigned", resources},
	}
}
