package httpd

import (
	"cmp"
	"fmt"
	"time"

	"candlemark/agent/status"
	"candlemark/probes"
	"candlemark/probes/quality"
)

func describeLink(t *status.Target, now time.Time) linkView {
	where := "near hop"
	if t.Section == probes.Uplink {
		where = "uplink"
	}
	v := linkView{Title: t.Name + " (" + where + ", " + string(t.Kind) + ")", Verdict: "not measured"}
	if t.LastError != "" {
		v.Facts = append(v.Facts, fact{Name: "why", Value: "the probe could not be made", Raw: t.LastError})
	}
	var facts []fact
	switch {
	case !t.LastKnown && t.LastError == "":
		v.Verdict = "not measured yet"
	case !t.LastKnown || t.LastOld: // what was measured earlier says nothing of the link as it is now
	case t.Last.Latency != nil:
		v.Verdict, facts = latencyFacts(t.Last.Latency)
	case t.Last.Throughput != nil:
		v.Verdict, facts = throughputFacts(t.Last.Throughput)
	case t.Last.Service != nil:
		v.Verdict, facts = serviceFacts(t.Last.Service, t.Last.Elapsed)
	}
	if v.Facts = append(v.Facts, facts...); len(facts) > 0 && t.LastError != "" {
		v.Facts[0].Value = "one part of the probe could not be made"
	}
	if t.LastKnown {
		age := now.Sub(t.Last.Start.Add(t.Last.Elapsed))
		v.Facts = append(v.Facts, fact{Name: "measured", Value: about(age) + " ago"})
	}
	if t.NotRun != "" {
		v.Facts = append(v.Facts, fact{Name: "held back", Value: t.NotRun})
	}
	return v
}

func latencyFacts(l *probes.LatencyStats) (verdict string, facts []fact) {
	verdict = "answers"
	switch {
	case l.Sent == 0:
		return "not measured", nil
	case l.Lost >= l.Sent:
		verdict = "no answer"
	case l.Lost > 0:
		verdict = "answers, with loss"
	}
	facts = append(facts, fact{Name: "lost", Value: fmt.Sprintf("%d of %d packets", l.Lost, l.Sent)})
	for _, d := range []struct {
		name string
		of   *probes.Direction
	}{{"away from here", l.Forth}, {"back to here", l.Back}} {
		if d.of == nil || !d.of.LossKnown {
			continue
		}
		value := fmt.Sprintf("%d of %d lost", d.of.Lost, d.of.Sent)
		if d.of.VariationKnown {
			value += ", jitter " + ms(d.of.Jitter)
		}
		facts = append(facts, fact{Name: d.name, Value: value})
	}
	if l.RTTKnown {
		facts = append(facts, fact{Name: "round trip", Value: fmt.Sprintf("%s median, %s least, %s at the 95th percentile", ms(l.Median), ms(l.Min), ms(l.P95))})
	}
	if l.VariationKnown {
		facts = append(facts, fact{Name: "jitter", Value: ms(l.Jitter) + ", of round trips"})
	}
	return verdict, facts
}

func throughputFacts(t *probes.ThroughputStats) (verdict string, facts []fact) {
	verdict = "not measured"
	for _, d := range []struct {
		name  string
		bitPS float64
		known bool
		bytes int64
		more  *probes.Transfer
	}{{"down", t.Down, t.DownKnown, t.DownBytes, t.DownDetail}, {"up", t.Up, t.UpKnown, t.UpBytes, t.UpDetail}} {
		value := "not measured"
		if d.known {
			verdict = "measured"
			value = fmt.Sprintf("%.2f Mbit/s over %.1f MB", d.bitPS/1e6, float64(d.bytes)/1e6)
		}
		facts = append(facts, fact{Name: d.name, Value: value})
		if d.known && d.more != nil {
			facts[len(facts)-1].Value = fmt.Sprintf("%.2f Mbit/s%s, for %.1f MB in %.1f s", d.bitPS/1e6, plusMinus(d.more), float64(d.more.SpentBytes)/1e6, d.more.Elapsed.Seconds())
			facts = append(facts, loadFacts(d.name, d.more)...)
		}
	}
	if t.IdleRTTKnown {
		facts = append(facts, fact{Name: "round trip before", Value: ms(t.IdleRTT)})
	}
	return verdict, append(facts, fact{Name: "against", Value: cmp.Or(t.Server, "a server without a name")})
}

func plusMinus(t *probes.Transfer) string {
	if !t.HalfWidthKnown {
		return ""
	}
	return fmt.Sprintf(" ± %.0f %%", 100*t.HalfWidth)
}

// loadFacts are what was measured while one direction was loaded.
func loadFacts(way string, t *probes.Transfer) (facts []fact) {
	if l := t.Loaded; l != nil && l.RTTKnown {
		facts = append(facts, fact{Name: "round trip, busy " + way, Value: fmt.Sprintf("%s median, %s at the 95th percentile, %d of %d lost", ms(l.Median), ms(l.P95), l.Lost, l.Sent)})
	}
	if t.LoadedWhy != "" {
		facts = append(facts, fact{Name: "busy " + way, Value: "not measured: " + t.LoadedWhy})
	}
	if r, ok := quality.Respond(t.Working); ok {
		facts = append(facts, fact{Name: "responsiveness, busy " + way, Value: fmt.Sprintf("%.0f round trips a minute, %s; requests took %s median, %s at the 99th percentile",
			r.RPM, r.Band, ms(r.P50), ms(r.P99))})
	}
	return facts
}

func serviceFacts(s *probes.ServiceStats, took time.Duration) (verdict string, facts []fact) {
	verdict = "works"
	if !s.Works {
		verdict = "does not work"
		facts = append(facts, fact{Name: "because", Value: "it did not do what it should", Raw: s.Problem})
	}
	facts = append(facts, fact{Name: "took", Value: ms(took)})
	for _, step := range []struct {
		name  string
		took  time.Duration
		known bool
	}{{"name", s.Resolve, s.ResolveKnown}, {"connection", s.Connect, s.ConnectKnown}, {"encryption", s.TLS, s.TLSKnown}, {"first byte", s.FirstByte, s.FirstByteKnown}} {
		if step.known {
			facts = append(facts, fact{Name: step.name, Value: ms(step.took)})
		}
	}
	return verdict, facts
}

// fitView is whether the link is good enough for one use.
type fitView struct {
	Use, Verdict, Because, Users string
	Lines                        []fitLine
	Assumptions                  []string
}

type fitLine struct{ What, Measured, Need, Source, Verdict string }

func describeFit(verdicts []quality.Verdict) (views []fitView) {
	for _, v := range verdicts {
		f := fitView{Use: v.Use, Verdict: string(v.Word), Because: sentence(v.Because), Assumptions: v.Assumptions}
		if v.UsersKnown {
			f.Users = fmt.Sprintf("About %d at once with nothing else on the link: %s; not tried.", v.Users, v.UsersBecause)
		}
		for _, l := range v.Lines {
			f.Lines = append(f.Lines, fitLine{l.What, l.Measured, l.Need, l.Source, string(l.Word)})
		}
		views = append(views, f)
	}
	return views
}
