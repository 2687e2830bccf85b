package handover

import (
	"fmt"
	"math"
	"slices"
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
			return fmt.Sprintf("pack %s: %s left (%s)", oneLine(x.Name), left, between)
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

// power says how long the packs last.
func (p *Page) power(in Input) {
	for _, x := range in.Snapshot.Packs {
		p.Packs = append(p.Packs, packLine(x, in))
	}
	e := &p.Endurance
	if in.Duty != nil {
		s, err := in.Duty.Rotate()
		if err == nil {
			p.rotation(s, in)
			return
		}
		in.DutyWhy = err.Error()
	}
	if in.DutyWhy != "" {
		e.Basis = "the plan's packs were not used: " + oneLine(in.DutyWhy) + ". "
	}
	p.alone(in)
}

// rotation takes the answer from the packs on hand.
func (p *Page) rotation(s plan.Schedule, in Input) {
	e := &p.Endurance
	e.Answer = oneLine(s.Answer) + notKnown(in.Snapshot.Packs)
	if !in.ClockSet && !s.Sustained {
		e.Answer += clockless(s.UpLow.Sub(in.Now), s.UpExpected.Sub(in.Now))
	}
	e.Basis = fmt.Sprintf("measured load %.1f W with the packs on hand of the plan; an estimate, not a promise", s.LoadW)
	if !s.Sustained {
		e.UpLow, e.UpExpected = &s.UpLow, &s.UpExpected
	}
	e.NextSwap, e.GeneratorBy = s.NextSwap, s.GeneratorBy
	for _, x := range s.Swaps {
		text := fmt.Sprintf("at %s: %s in", orNot(x.Feed), orNot(x.In))
		if x.Out != "" {
			text = fmt.Sprintf("at %s: %s out, %s in; empty about %s", orNot(x.Feed), orNot(x.Out), orNot(x.In), both(x.Expected, in.Now))
		}
		e.Swaps = append(e.Swaps, Row{"", "by " + both(x.By, in.Now), text})
	}
	e.Advice = advice(s.Packs)
}

// advice gathers the packs with which somebody has to do something, those of one
// reason on one line; a pack to be kept from charging or use stands first.
func advice(all []plan.Advice) []Row {
	var first, then []Row
	for _, a := range all {
		if strings.HasPrefix(a.Why, "in use") || a.Why == "ready" {
			continue
		}
		list := &then
		if strings.Contains(a.Why, "do not") || strings.Contains(a.Why, "before charging") {
			list = &first
		}
		name, why := orNot(a.Pack), orNot(a.Why)
		if at := slices.IndexFunc(*list, func(r Row) bool { return r.Value == why }); at >= 0 {
			(*list)[at].Label += ", " + name
			continue
		}
		*list = append(*list, Row{"", name, why})
	}
	return append(first, then...)
}

// notKnown names the packs in use of which nobody can say how long they last.
func notKnown(packs []status.Pack) string {
	out := ""
	for _, x := range packs {
		if !x.Forecast.Known || x.Stale {
			out += ". Pack " + shortName(x.Name) + ": NOT KNOWN"
		}
	}
	return out
}

// clockless gives the time left as a length, which a wrong clock does not harm.
func clockless(low, expected time.Duration) string {
	return ". CLOCK NOT SET: in " + spread(low, expected)
}

// shortName keeps the frame with the answer whole, whatever a pack is called.
func shortName(name string) string { return clip(orNot(name), 24) }

// alone answers from the packs in use only: the link is up as long as all are.
func (p *Page) alone(in Input) {
	e := &p.Endurance
	low, expected := time.Duration(math.MaxInt64), time.Duration(math.MaxInt64)
	first := ""
	unknown := 0
	swapAhead := time.Duration(0)
	for _, x := range in.Snapshot.Packs {
		f := x.Forecast
		if !f.Known || x.Stale {
			unknown++
			continue
		}
		if f.Low < low {
			low, first, swapAhead = f.Low, x.Name, x.Leads.ShutDown
		}
		expected = min(expected, f.Expected)
	}
	if first == "" {
		e.Answer = "HOW LONG THE LINK STAYS UP: NOT KNOWN. Go by meter and clock"
		e.Basis += "no pack has a known time left"
		return
	}
	upLow, upExpected := in.Now.Add(low), in.Now.Add(expected)
	swap := in.Now.Add(max(low-swapAhead, 0))
	e.UpLow, e.UpExpected, e.NextSwap = &upLow, &upExpected, &swap
	atLow, atExpected, atSwap := plan.Clock(upLow, in.Now), plan.Clock(upExpected, in.Now), plan.Clock(swap, in.Now)
	switch {
	case unknown > 0: // of the link nothing can be said: only of this pack
		e.Answer = fmt.Sprintf("Pack %s lasts until %s at the earliest (%s expected)%s", shortName(first), atLow, atExpected, notKnown(in.Snapshot.Packs))
		if !in.ClockSet {
			e.Answer += clockless(low, expected)
		}
		e.Answer += ". Next swap at " + atSwap
	default:
		e.Answer = fmt.Sprintf("link stays up until %s (low) / %s (expected) on the packs in use; next swap at %s, pack %s", atLow, atExpected, atSwap, shortName(first))
		if !in.ClockSet {
			e.Answer += clockless(low, expected)
		}
	}
	e.Basis += "measured by the agent; packs on hand are not recorded, so neither is when a generator must be here"
	if unknown > 0 {
		e.Basis += fmt.Sprintf("; %d other pack(s) without a known time left may end it sooner", unknown)
	}
}

func packLine(x status.Pack, in Input) Pack {
	out := Pack{Name: orNot(x.Name), Now: NotMeasured, Left: NotKnown, Charge: NotKnown, Note: ""}
	if x.ReadingKnown {
		out.Now = fmt.Sprintf("%.2f V, %.2f A, %.1f W", x.Reading.PackV, unsigned(x.Reading.PackA), unsigned(x.Reading.PackW()))
		out.Now += ", " + age(in.Snapshot.Taken.Up-x.ReadingUp)
	}
	f := x.Forecast
	switch {
	case f.Known && f.Expected == 0:
		out.Left = "at its cut-off"
	case f.Known:
		out.Left = fmt.Sprintf("%s (9 in 10: %s to %s) at %.1f W", plan.Span(f.Expected), plan.Span(f.Low), plan.Span(f.High), f.LoadW)
	case f.Why != "":
		out.Left = NotKnown + ": " + oneLine(f.Why)
	}
	if f.ChargeKnown {
		out.Charge = fmt.Sprintf("%.0f %%", 100*f.ChargeRatio)
	}
	var notes []string
	if x.Stale {
		notes = append(notes, "STALE reading")
	}
	if x.Reading.Clipped {
		notes = append(notes, "current clipped: the true one is higher")
	}
	if x.LastError != "" {
		notes = append(notes, oneLine(x.LastError))
	}
	out.Note = strings.Join(notes, "; ")
	return out
}

func unsigned(x float64) float64 {
	if math.Abs(x) < 0.005 {
		return 0
	}
	return x
}
