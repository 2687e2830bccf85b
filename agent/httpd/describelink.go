package httpd

import (
	"fmt"
	"time"

	"candlemark/agent/status"
	"candlemark/probes"
	"candlemark/probes/quality"
)

// troubleView is where a fault of the link lies.
type troubleView struct {
	Verdict, Evidence, Because string
	Shown                      bool
}

func describeTrouble(t status.Trouble) *troubleView {
	if !t.Known {
		return nil
	}
	v := &troubleView{Shown: t.Shown, Verdict: "no fault seen", Evidence: sentence(t.Evidence)}
	if !t.Shown {
		return v
	}
	switch t.Place {
	case quality.LocalHop:
		v.Verdict = "fault on the near hop"
	case quality.TheUplink:
		v.Verdict = "fault on the uplink, beyond the near hop"
	case quality.BothParts:
		v.Verdict = "faults on the near hop and on the uplink"
	default:
		v.Verdict = "a fault, its place cannot be told"
	}
	v.Because = sentence(t.Because)
	return v
}

// feedView is the terminal's feed. Class shapes its lamp, beside the word.
type feedView struct {
	Word, Class, Text string
	Facts             []fact
}

func describeFeed(s status.Snapshot) *feedView {
	f := s.Feed
	if f == nil {
		return nil
	}
	v := &feedView{Word: "OFF", Class: "dark", Text: sentence(f.Text)}
	if len(s.Packs) > 1 {
		v.Text += " It hangs on pack " + f.Pack + "."
	}
	if f.On {
		v.Word, v.Class = "ON", "lit"
	}
	if !f.Switched {
		v.Word = "SHOULD BE " + v.Word
	}
	if at, known := s.FeedChange(); known {
		name := "returns at"
		if f.On {
			name = "goes off at"
		}
		v.Facts = append(v.Facts, fact{Name: name, Value: timeOfDay(at, "15:04:05")})
	}
	if f.Schedule != nil {
		v.Facts = append(v.Facts, fact{Name: "schedule", Value: f.Schedule.String()})
	}
	if c := f.Cuts; c.Request+c.Schedule+c.Shed > 0 {
		v.Facts = append(v.Facts, fact{Name: "cuts so far", Value: fmt.Sprintf("%d asked for, %d by schedule, %d to keep the reserve", c.Request, c.Schedule, c.Shed)})
	}
	return v
}

// wayView is one part of the way out, in a line.
type wayView struct{ Part, Trip, Loss, Age string }

// describeWay sets the near hop beside the whole way, by the first latency target
// of each, as the judgement of the agent does.
func describeWay(s *status.Snapshot, now time.Time) []wayView {
	var out []wayView
	for _, part := range []struct {
		section probes.Section
		name    string
	}{{probes.Hop, "hop"}, {probes.Uplink, "uplink"}} {
		for i := range s.Targets {
			t := &s.Targets[i]
			if t.Section != part.section || t.Kind != probes.Latency {
				continue
			}
			v := wayView{Part: part.name, Trip: "not measured"}
			if l := t.Last.Latency; t.LastKnown && !t.LastOld && l != nil {
				v.Age = about(now.Sub(t.Last.Start.Add(t.Last.Elapsed))) + " ago"
				v.Loss = fmt.Sprintf("%d of %d lost", l.Lost, l.Sent)
				v.Trip = "no answer"
				if l.RTTKnown {
					v.Trip = ms(l.Median)
				}
			}
			out = append(out, v)
			break
		}
	}
	return out
}

func describeAgent(s status.Snapshot) []fact {
	facts := []fact{{Name: "running for", Value: about(s.Taken.Up)}, {Name: "data used", Value: dataText(s.Data)}}
	if e := s.Energy; e.Measured > 0 {
		facts = append(facts, fact{Name: "energy of probes", Value: energyText(e)})
	}
	if s.Journal.Path != "" {
		journal := fmt.Sprintf("%d records wait to be written", s.Journal.Pending)
		if s.Journal.LastError != "" {
			journal = "cannot be written"
		}
		facts = append(facts, fact{"journal", journal, s.Journal.LastError})
	}
	for _, r := range s.Receivers {
		state := fmt.Sprintf("%d attempts, %d failed, %d dropped, %d waiting", r.Attempts, r.Failures, r.Dropped, r.Waiting)
		if r.LastError != "" {
			state = "the last one did not get through; " + state
		}
		facts = append(facts, fact{"alarms to " + r.Name, state, r.LastError})
	}
	return facts
}

// dataText is the use of the data budgets.
func dataText(d status.Data) string {
	of := func(used, budget int64, when string) string {
		if budget <= 0 {
			return fmt.Sprintf("%.1f MB %s, no limit", float64(used)/1e6, when)
		}
		return fmt.Sprintf("%.1f of %.1f MB %s", float64(used)/1e6, float64(budget)/1e6, when)
	}
	return of(d.UsedToday, d.BudgetPerDay, "today") + "; " + of(d.UsedMonth, d.BudgetPerMonth, "this month")
}

// energyText is what the day's probes cost the packs.
func energyText(e status.Energy) string {
	text := fmt.Sprintf("%.2f Wh over idle today, of %d probes", e.TodayWh, e.Measured)
	if e.PacksKnown {
		text += fmt.Sprintf(", %.1f %% of the packs' %.0f Wh", 100*e.TodayWh/e.PacksWh, e.PacksWh)
	}
	if e.Stretch > 1 {
		text += fmt.Sprintf("; heavy probes %.1f times rarer, since the pack runs down", e.Stretch)
	}
	return text
}

// ms gives a round trip in milliseconds, which people read more easily than seconds.
func ms(d time.Duration) string {
	return fmt.Sprintf("%.1f ms", float64(d)/float64(time.Millisecond))
}

// about gives a duration as people say it, rounded down so that it never
// promises more than there is: "40 s", "12 min", "3 h 05 min", "2 d 4 h".
func about(d time.Duration) string {
	switch {
	case d < 0:
		return "0 s"
	case d < 2*time.Minute:
		return fmt.Sprintf("%d s", d/time.Second)
	case d < time.Hour:
		return fmt.Sprintf("%d min", d/time.Minute)
	case d < 48*time.Hour:
		return fmt.Sprintf("%d h %02d min", d/time.Hour, d%time.Hour/time.Minute)
	}
	const day = 24 * time.Hour
	return fmt.Sprintf("%d d %d h", d/day, d%day/time.Hour)
}
