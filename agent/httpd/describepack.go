package httpd

import (
	"cmp"
	"fmt"
	"strconv"
	"strings"
	"time"

	"candlemark/agent/alarm"
	"candlemark/agent/pack"
	"candlemark/agent/status"
)

type packView struct {
	Name, Mark, State     string
	Left, Likely          []amount // nil when not known
	Range, Warn, Cautious string   // "" when not known
	LeftWhy               string
	After                 string // what is left once the terminal is back on; "" while it is on, or not known
	Now                   string // the last reading in one line, with its age
	Facts                 []fact
	Sensor                string // which one, for whoever repairs it
}

func stateWords(s pack.State) string {
	switch s {
	case pack.Discharging:
		return "feeding the load"
	case pack.Charging:
		return "charging, or on mains"
	case pack.Resting:
		return "connected, next to no load"
	case pack.Absent:
		return "no pack there"
	}
	return "state not known"
}

// atLeast words the cautious time.
func atLeast(d time.Duration) string {
	if d < time.Minute {
		return pack.Left(d)
	}
	return "at least " + pack.Left(d)
}

// describePack shows the cautious time large, since that is what the alarms go by
// and what somebody may plan on; what is expected stands beside it.
func describePack(p *status.Pack, s *status.Snapshot, up time.Duration) packView {
	f := p.Forecast
	v := packView{Name: p.Name, Mark: p.Mark, State: stateWords(f.State), Sensor: cmp.Or(p.SensorName, "a sensor without a name")}
	switch {
	case f.Known && f.Expected <= 0:
		v.Left, v.Likely = amounts("0 min"), amounts("0 min")
		v.Warn, v.Range = "none left", "the pack is at its cut-off"
	case f.Known:
		v.Left, v.Likely = amounts(pack.Left(f.Cautious)), amounts(pack.Left(f.Expected))
		v.Range = "9 times in 10 between " + pack.Left(f.Low) + " and " + pack.Left(f.High)
		v.Warn = "warnings go by it"
		v.Cautious = fmt.Sprintf("In trials about %.3g discharges in 100 ended sooner than the figure to plan on. Warnings go by it: bring the next pack at %s, shut the terminal down at %s.",
			100*pack.CautiousLevel, alarm.Exact(p.Leads.NextPack), alarm.Exact(p.Leads.ShutDown))
	default:
		v.LeftWhy = unknown(cmp.Or(f.Why, stateWords(f.State)))
	}
	if feed, off := s.FeedOff(p.Name); off && f.Known && f.Expected > 0 {
		v.State += ", the terminal is off"
		v.Warn = "at the present load, terminal off"
		if feed.AfterKnown {
			v.After = fmt.Sprintf("Once the terminal is back on, about %s more (%s to %s) at %s W.", pack.Left(feed.After.Expected), pack.Left(feed.After.Low), pack.Left(feed.After.High), num(feed.After.MeanW, 1))
		}
	}
	v.Now = readNow(p, up)
	v.Facts = append(v.Facts, readingFacts(p, up)...)
	if f.ChargeKnown {
		v.Facts = append(v.Facts, fact{Name: "charge", Value: num(100*f.ChargeRatio, 0) + " % left"})
	} else {
		v.Facts = append(v.Facts, fact{Name: "charge", Value: "unknown"})
	}
	if f.Known {
		v.Facts = append(v.Facts, fact{Name: "cut-off", Value: num(f.CutoffV, 2) + " V at the pack, at " + num(f.LoadW, 1) + " W"})
	}
	v.Facts = append(v.Facts, fact{Name: "used", Value: num(p.DischargedJ/3600, 1) + " Wh since the agent started"})
	return v
}

// amount is a number and its unit, shown in different sizes.
type amount struct{ Figure, Unit string }

// amounts takes "1 h 09 min" apart.
func amounts(words string) []amount {
	if rest, less := strings.CutPrefix(words, "less than "); less {
		words = "<" + rest
	}
	w := strings.Fields(words)
	var out []amount
	for i := 0; i+1 < len(w); i += 2 {
		out = append(out, amount{w[i], w[i+1]})
	}
	return out
}

// readNow is the last reading in one line; the ranges stand with the facts.
func readNow(p *status.Pack, up time.Duration) string {
	if !p.ReadingKnown {
		return "No reading yet."
	}
	r, least := p.Reading, ""
	if r.Clipped {
		least = "at least "
	}
	line := num(r.PackV, 2) + " V · " + least + num(r.PackA, 2) + " A · " + least + num(r.PackW(), 1) + " W · " + about(up-p.ReadingUp) + " ago"
	if p.Stale {
		return "STALE: " + line
	}
	return line
}

func readingFacts(p *status.Pack, up time.Duration) []fact {
	if !p.ReadingKnown {
		return []fact{unread(p, "no reading yet")}
	}
	r, age := p.Reading, about(up-p.ReadingUp)+" ago"
	if p.Stale {
		return []fact{
			unread(p, "the sensor does not answer"),
			{Name: "last seen", Value: num(r.PackV, 2) + " V, " + num(r.PackA, 2) + " A, " + age},
		}
	}
	current := num(r.PackA, 2) + " A ± " + num(r.ErrA, 2) + " A"
	power := num(r.PackW(), 1) + " W ± " + num(r.ErrW, 1) + " W"
	if r.Clipped {
		current = "at least " + num(r.PackA, 2) + " A: clipped, beyond the sensor's range"
		power = "at least " + num(r.PackW(), 1) + " W"
	}
	facts := []fact{
		{Name: "voltage", Value: num(r.PackV, 2) + " V ± " + num(r.ErrV, 2) + " V"},
		{Name: "current", Value: current},
		{Name: "power", Value: power},
	}
	if r.TempKnown {
		facts = append(facts, fact{Name: "temperature", Value: num(r.TempC, 0) + " °C"})
	} else {
		facts = append(facts, fact{Name: "temperature", Value: "not measured; 25 °C is assumed, in the cold expect less"})
	}
	if r.SettingsFault {
		facts = append(facts, fact{Name: "sensor", Value: "reports that its settings do not fit this load"})
	}
	return append(facts, fact{Name: "read", Value: age})
}

// unread says that there is no present reading; what the system said comes after.
func unread(p *status.Pack, why string) fact {
	if p.LastError != "" {
		why = "the sensor cannot be read"
	}
	return fact{Name: "reading", Value: unknown(why), Raw: p.LastError}
}

func unknown(why string) string {
	if why == "" {
		return "unknown"
	}
	return "unknown — " + why
}

// num writes a figure with so many decimals, and never a zero with a minus.
func num(v float64, decimals int) string {
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.HasPrefix(s, "-") && strings.Trim(s, "-0.") == "" {
		return s[1:]
	}
	return s
}
