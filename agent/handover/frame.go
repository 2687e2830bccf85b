package handover

import (
	"fmt"
	"strings"
	"time"

	"candlemark/agent/alarm"
	"candlemark/agent/plan"
	"candlemark/agent/status"
	"candlemark/probes"
)

func period(in Input) string {
	i := in.Incident
	if i.From.IsZero() || i.To.IsZero() {
		return NotRecorded
	}
	from, to := i.From.In(in.Now.Location()), i.To.In(in.Now.Location())
	zone, offset := from.Zone()
	other, _ := to.Zone()
	if zone != other || from.UTC().Format(time.DateOnly) != from.Format(time.DateOnly) {
		return dated(i.From, in.Now.Location()) + " to " + dated(i.To, in.Now.Location())
	}
	text := from.Format("2006-01-02 15:04") + " to " + later(to, from) + " " + zone
	if offset != 0 {
		text += " (" + from.UTC().Format("15:04") + " to " + later(to.UTC(), from.UTC()) + " UTC)"
	}
	return text
}

// later is a time of day, with its date where that is another than that of from.
func later(to, from time.Time) string {
	if to.Format(time.DateOnly) == from.Format(time.DateOnly) {
		return to.Format("15:04")
	}
	return to.Format("2006-01-02 15:04")
}

// stamp prints a time and, where it could not be believed, that.
func stamp(s Stamp, loc *time.Location) string {
	text := dated(s.At, loc)
	if !s.At.IsZero() && !s.Trusted {
		text += " ? (clock was not set)"
	}
	return text
}

func (p *Page) frame(in Input, notes labelledNotes) {
	i, loc := in.Incident, in.Now.Location()
	site := i.Site
	if site == "" {
		site = in.Snapshot.Site
	}
	people := NotRecorded
	if i.People > 0 {
		people = fmt.Sprintf("%d", i.People)
	}
	p.Head = []Row{
		{"201-1", "Incident", orNot(i.Name)},
		{"201-2", "Number", orNot(i.Number)},
		{"201-3", "Opened", stamp(i.Opened, loc)},
		{"205-3", "Period", period(in)},
		{"", "Site", orNot(site)},
		{"", "Requested by", orNot(i.Requester)},
		{"", "Site contact", orNot(i.Contact)},
		{"", "People", people},
	}
	if !i.Closed.At.IsZero() {
		p.Head = append(p.Head, Row{"", "CLOSED", stamp(i.Closed, loc)})
	}
	arrangement, ok := notes.newest("arrangement")
	if !ok {
		arrangement = i.Arrangement
	}
	if arrangement == "" && in.Arrangement != "" {
		arrangement = in.Arrangement + " (of the plan; not confirmed on site)"
	}
	fed, ok := notes.newest("fed")
	if !ok {
		fed = i.Fed
	}
	need := orNot(i.Need)
	if o, ok := notes.newest("objective"); ok {
		need += "; now: " + o
	}
	p.Service = []Row{
		{"201-5", "In service", orNot(arrangement)},
		{"", "How it is fed", orNot(fedText(fed, in.Snapshot.Packs))},
		{"201-7", "To be done", need},
	}
	p.Means = []Row{
		{"205-5", "Primary", orNot(i.Primary)},
		{"", "Alternate", orNot(i.Alternate)},
		{"", "Contingency", orNot(i.Contingency)},
		{"", "Emergency", orNot(i.Emergency)},
	}
}

// fedText adds the configured packs to what was recorded of the feeding.
func fedText(fed string, packs []status.Pack) string {
	var parts []string
	if fed != "" {
		parts = append(parts, fed)
	}
	for _, p := range packs {
		if p.Spec.SeriesCells > 0 {
			parts = append(parts, fmt.Sprintf("pack %s: %s, %d in series, label %.1f Ah", p.Name, p.Spec.Chemistry, p.Spec.SeriesCells, p.Spec.CapacityAh))
		}
	}
	return strings.Join(parts, "; ")
}

func (p *Page) links(in Input) {
	for _, t := range in.Snapshot.Targets {
		l := Link{Name: orNot(t.Name), Function: section(t.Section), Measured: NotMeasured, Count: NotMeasured, Age: NotKnown}
		if t.LastKnown {
			l.Measured, l.Count = measured(t)
			l.Age = ageOf(t.Last, in)
		}
		if t.LastError != "" {
			l.Count += "; newest try failed: " + oneLine(t.LastError)
		} else if t.NotRun != "" {
			l.Count += "; held back: " + oneLine(t.NotRun)
		}
		p.Links = append(p.Links, l)
	}
}

func section(s probes.Section) string {
	switch s {
	case probes.Hop:
		return "local hop"
	case probes.Uplink:
		return "internet"
	}
	return orNot(string(s))
}

// ageOf is how long ago the measurement was. Its start carries a wall clock that
// may have been put right since.
func ageOf(r probes.Result, in Input) string {
	d := in.Now.Sub(r.Start)
	if r.Start.IsZero() || d < -clockSlack {
		return "age not known"
	}
	return age(max(d, 0)) + ", " + both(r.Start, in.Now)
}

func measured(t status.Target) (value, count string) {
	switch r := t.Last; {
	case r.Latency != nil:
		l := r.Latency
		value = "no answer"
		if l.RTTKnown {
			value = fmt.Sprintf("round trip %.0f ms (95 %% under %.0f ms)", ms(l.Median), ms(l.P95))
		}
		count = fmt.Sprintf("%d of %d lost", l.Lost, l.Sent)
		if low, high, ok := l.LossInterval(); ok {
			count += fmt.Sprintf(" (%.0f to %.0f %%)", 100*low, 100*high)
		}
		if t.Sent > uint64(max(l.Sent, 0)) {
			count += fmt.Sprintf(", %d of %d since the start", t.Lost, t.Sent)
		}
		return value, count
	case r.Throughput != nil:
		down, up := "down "+NotMeasured, "up "+NotMeasured
		if r.Throughput.DownKnown {
			down = fmt.Sprintf("down %.1f Mbit/s", r.Throughput.Down/1e6)
		}
		if r.Throughput.UpKnown {
			up = fmt.Sprintf("up %.1f Mbit/s", r.Throughput.Up/1e6)
		}
		return down + ", " + up, "one transfer of " + bytesText(float64(r.Bytes)) + "; " + tried(t)
	case r.Service != nil:
		value = "works"
		if !r.Service.Works {
			value = "does not work: " + oneLine(r.Service.Problem)
		}
		return value, tried(t)
	}
	return NotMeasured, NotMeasured
}

// tried counts the runs of a probe.
func tried(t status.Target) string {
	if t.Attempts == 1 {
		return fmt.Sprintf("1 try, %d failed", t.Failures)
	}
	return fmt.Sprintf("%d tries, %d failed", t.Attempts, t.Failures)
}

func (p *Page) alarms(in Input) {
	order := map[alarm.Severity]int{alarm.Critical: 0, alarm.Warning: 1, alarm.Notice: 2}
	for rank := range 3 {
		for _, a := range in.Snapshot.Alarms {
			if order[a.Severity] != rank {
				continue
			}
			since := NotKnown
			if !a.Raised.Wall.IsZero() {
				since = both(a.Raised.Wall, in.Now)
				if !a.ClockSet {
					since += " ?"
				}
			}
			p.Alarms = append(p.Alarms, Alarm{orNot(string(a.Severity)), in.title(a), orNot(a.Action), since})
		}
	}
	for _, k := range in.Snapshot.Known {
		place := k.Place
		if place == "" {
			place = "spare"
		}
		p.Verdicts = append(p.Verdicts, Verdict{orNot(k.Identity), oneLine(place), orNot(string(k.Verdict)), orNot(k.Why)})
	}
}

// title is what is the matter. A sheet of paper says it short where the figure is
// the time left of a pack.
func (in Input) title(a alarm.Active) string {
	if in.Full || a.Name != alarm.BringNextPack && a.Name != alarm.ShutTerminalDown {
		return orNot(a.Title)
	}
	for _, x := range in.Snapshot.Packs {
		if f := x.Forecast; x.Name == a.Subject && f.Known && !x.Stale && f.Expected > 0 {
			left, between := plan.Span(f.Expected), spread(f.Low, f.High)
			if minutes(left) && minutes(plan.Span(f.High)) {
				between = strings.TrimSuffix(between, " min")
			}
			text := fmt.Sprintf("pack %s: %s left (%s)", oneLine(x.Name), left, between)
			if _, off := in.Snapshot.FeedOff(x.Name); off {
				text += " at the present load, terminal off"
			}
			return text
		}
	}
	return orNot(a.Title)
}

func minutes(span string) bool {
	return strings.HasSuffix(span, " min") && !strings.Contains(span, " h")
}

// spread is two lengths of time, in minutes where both are short.
func spread(low, high time.Duration) string {
	a, b := plan.Span(low), plan.Span(high)
	if minutes(a) && minutes(b) {
		a = strings.TrimSuffix(a, " min")
	}
	return a + " to " + b
}
