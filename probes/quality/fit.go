package quality

import (
	"fmt"
	"math"
	"slices"
	"strconv"

	"candlemark/probes"
)

// Word is the verdict in a word or two.
type Word string

const (
	Fit        Word = "good"            // within what people prefer
	Usable     Word = "usable"          // within the limit, not within what people prefer
	Unfit      Word = "not good enough" // outside the limit
	CannotTell Word = "cannot tell"
)

// Line is one measured value beside the need it is held against.
type Line struct {
	What     string `json:"what"`
	Measured string `json:"measured"`
	Need     string `json:"need"`
	Source   string `json:"source"`
	Word     Word   `json:"verdict"`
	// Aside marks a line that informs and does not decide.
	Aside bool `json:"aside,omitempty"`
}

// Verdict says whether a link is good enough for one use.
type Verdict struct {
	Use     string `json:"use"`
	Word    Word   `json:"verdict"`
	Because string `json:"because"` // the lines that decided; "cannot tell" always has its reason
	Lines   []Line `json:"lines"`

	// Users that the rates carry at once; not known unless both rates are.
	Users        int      `json:"users"`
	UsersKnown   bool     `json:"users_known"`
	UsersBecause string   `json:"users_because"`
	Assumptions  []string `json:"assumptions,omitempty"`
}

// The uses that Judge knows.
const (
	UseVoice    = "voice"
	UseVideo    = "video meeting"
	UseForms    = "forms and messaging"
	UseFile     = "file transfer"
	UseServices = "named services"
)

// Judge holds the figures against the needs, use by use: voice, video meeting,
// forms and messaging, file transfer and, where any are named, services. It
// refuses needs that make no sense.
func Judge(m Measured, n Needs) ([]Verdict, error) {
	if err := n.Check(); err != nil {
		return nil, err
	}
	verdicts := []Verdict{
		realTime(UseVoice, m, n.Voice, n.UsableShare),
		realTime(UseVideo, m, n.VideoMeeting, n.UsableShare),
		transfer(UseForms, m, n.FormsMessaging, n.UsableShare),
		transfer(UseFile, m, n.FileMove, n.UsableShare),
	}
	if len(m.Services) > 0 {
		verdicts = append(verdicts, services(m.Services))
	}
	return verdicts, nil
}

// services says whether people's tasks work: the figures may all be good while they do not.
func services(seen []ServiceSeen) Verdict {
	v := Verdict{Use: UseServices, UsersBecause: "how many at once is not measured"}
	for _, s := range seen {
		l := Line{What: s.Name, Measured: "works, " + s.Detail, Need: "works", Source: "named in the configuration", Word: Fit}
		switch {
		case !s.Known:
			l.Measured, l.Word = "not known", CannotTell
		case !s.Works:
			l.Measured, l.Word = "does not work: "+s.Detail, Unfit
		}
		v.add(l, s.Name+": "+s.Detail)
	}
	return v.decide()
}

func realTime(use string, m Measured, n RealTime, share float64) Verdict {
	v := Verdict{Use: use}
	for _, state := range []struct {
		name     string
		rtt, pdv Figure
	}{{"link idle", m.RTTMs, m.VariationMs}, {"link busy", m.LoadedRTTMs, m.LoadedVarMs}} {
		oneWay := "mouth to ear, one way, " + state.name
		switch {
		case !state.rtt.Known:
			v.unknown(oneWay, "ms", n.OneWayMs, state.rtt.why())
		case !state.pdv.Known:
			v.unknown(oneWay, "ms", n.OneWayMs, "delay variation: "+state.pdv.why())
		default:
			ms := state.rtt.V/2 + n.EndsMs + max(20, bufferPerVariation*state.pdv.V)
			v.atMost(oneWay, fmt.Sprintf("%.0f ms", ms), ms, ms, "ms", n.OneWayMs)
		}
		variation := "delay variation, " + state.name
		if !state.pdv.Known {
			v.unknown(variation, "ms", n.VariationMs, state.pdv.why())
			continue
		}
		v.atMost(variation, fmt.Sprintf("%.1f ms", state.pdv.V), state.pdv.V, state.pdv.V, "ms", n.VariationMs)
	}
	v.loss(m, n.LossRatio)
	if n.Rating.Limit > 0 {
		v.ratings(m, n.Rating)
	}
	v.rates(m, n.BitS, share)
	v.Assumptions = append(v.Assumptions, fmt.Sprintf("one way is half of the round trip; the ends add %g ms and a jitter buffer of twice the delay variation, at least 20 ms (rule of thumb)", n.EndsMs))
	return v.decide()
}

// ratings gives a line for each codec, at the worst state that was measured, over
// the range that the loss may have. G.711 decides; the low-rate codec, which can
// never be as good, stands beside it.
func (v *Verdict) ratings(m Measured, need Need) {
	for i, c := range []Codec{G711(), G729A()} {
		aside := i > 0
		what := "E-model rating R, " + c.Name
		rtt, pdv, state := m.RTTMs, m.VariationMs, "link idle"
		if m.LoadedRTTMs.Known && m.LoadedVarMs.Known {
			rtt, pdv, state = m.LoadedRTTMs, m.LoadedVarMs, "link busy"
		}
		low, high, okLoss := probes.Wilson(m.Lost, m.Sent, probes.Z95)
		if !rtt.Known || !pdv.Known || !okLoss {
			v.add(Line{what, "not known", atLeastText(need, ""), need.Source, CannotTell, aside}, "delay, its variation or loss is not known")
			continue
		}
		var r [3]Voice
		var err error
		for i, loss := range []float64{high, float64(m.Lost) / float64(m.Sent), low} {
			if r[i], err = RateCall(Call{OneWayMs: rtt.V / 2, VariationMs: pdv.V, LossRatio: loss}, c); err != nil {
				v.add(Line{what, "not known", atLeastText(need, ""), need.Source, CannotTell, aside}, err.Error())
				break
			}
		}
		if err != nil {
			continue
		}
		text := fmt.Sprintf("%.0f (%.0f to %.0f), MOS %.1f, %s", r[1].R, r[0].R, r[2].R, r[1].MOS, state)
		v.add(Line{what, text, atLeastText(need, ""), need.Source, grade(-r[2].R, -r[0].R, -need.Preferred, -need.Limit), aside},
			fmt.Sprintf("the loss of %d in %d packets leaves R between %.0f and %.0f", m.Lost, m.Sent, r[0].R, r[2].R))
		for _, a := range r[1].Assumptions {
			if !slices.Contains(v.Assumptions, a) {
				v.Assumptions = append(v.Assumptions, a)
			}
		}
	}
}

func transfer(use string, m Measured, n Transfer, share float64) Verdict {
	v := Verdict{Use: use}
	rtt, state := m.RTTMs, "link idle"
	if m.LoadedRTTMs.Known {
		rtt, state = m.LoadedRTTMs, "link busy"
	}
	for _, d := range []struct {
		name string
		rate Figure
	}{{"down", m.DownBitS}, {"up", m.UpBitS}} {
		what := fmt.Sprintf("time for %s %s", size(n.Bytes), d.name)
		switch {
		case !rtt.Known:
			v.unknown(what, "s", n.Seconds, "round trip: "+rtt.why())
		case !d.rate.Known:
			v.unknown(what, "s", n.Seconds, "rate: "+d.rate.why())
		case d.rate.V == 0:
			v.add(Line{what, "never: nothing is carried", atMostText(n.Seconds, "s"), n.Seconds.Source, Unfit, false}, "")
		default:
			s := n.RoundTrips*rtt.V/1000 + 8*n.Bytes/d.rate.V
			v.atMost(what, fmt.Sprintf("%.1f s alone", s), s, s, "s", n.Seconds)
		}
	}
	v.loss(m, n.LossRatio)
	perUser := n.UserBitS
	if perUser.Limit == 0 {
		perUser = Need{8 * n.Bytes / n.Seconds.Preferred, 8 * n.Bytes / n.Seconds.Limit, size(n.Bytes) + " in the time of " + n.Seconds.Source}
	}
	v.rates(m, perUser, share)
	v.Assumptions = append(v.Assumptions, fmt.Sprintf("%g round trips (%s) before the data come; data at the measured rate (rule of thumb)", n.RoundTrips, state))
	return v.decide()
}

// rates gives the lines of one user's rate and counts the users.
func (v *Verdict) rates(m Measured, need Need, share float64) {
	users := math.Inf(1)
	var narrow string
	v.UsersKnown = true
	for _, d := range []struct {
		name string
		rate Figure
	}{{"down", m.DownBitS}, {"up", m.UpBitS}} {
		what := "rate for one user, " + d.name
		if !d.rate.Known {
			v.UsersKnown = false
			v.UsersBecause = "cannot tell because the rate " + d.name + " is " + d.rate.why()
			v.add(Line{what, "not known", atLeastText(need, "bit/s"), need.Source, CannotTell, false}, what+" "+d.rate.why())
			continue
		}
		v.add(Line{what, bitS(share*d.rate.V) + " usable", atLeastText(need, "bit/s"), need.Source,
			grade(-share*d.rate.V, -share*d.rate.V, -need.Preferred, -need.Limit), false}, "")
		if u := math.Floor(share*d.rate.V/need.Limit + 1e-9); u < users {
			users, narrow = u, d.name
		}
	}
	if v.UsersKnown {
		v.Users = int(min(users, 1e6))
		v.UsersBecause = fmt.Sprintf("by rate alone, %s being the narrower way: %.0f %% of the measured rate over %s a user (%s)", narrow, 100*share, bitS(need.Limit), need.Source)
	}
}

// loss judges a count, not a ratio: nothing lost of ten proves little.
func (v *Verdict) loss(m Measured, need Need) {
	low, high, ok := probes.Wilson(m.Lost, m.Sent, probes.Z95)
	if !ok {
		v.add(Line{"loss", "not known", lossText(need), need.Source, CannotTell, false}, "loss was not measured")
		return
	}
	text := fmt.Sprintf("%d of %d packets (%s to %s %%)", m.Lost, m.Sent, percent(low), percent(high))
	because := fmt.Sprintf("loss of %d in %d packets may be from %s to %s %%; more packets would tell", m.Lost, m.Sent, percent(low), percent(high))
	if m.Lost == 0 {
		text = fmt.Sprintf("none in %d packets, but up to %s %% cannot be excluded", m.Sent, percent(high))
	}
	if m.Lost == 0 && need.Limit > 0 && need.Limit < 1 {
		z2 := probes.Z95 * probes.Z95
		because = fmt.Sprintf("no loss in %d packets may be up to %s %%; %.0f packets without loss would tell", m.Sent, percent(high), math.Ceil(z2*(1-need.Limit)/need.Limit))
	}
	v.add(Line{"loss", text, lossText(need), need.Source, grade(low, high, need.Preferred, need.Limit), false}, because)
}

// percent is a share in percent, to two digits below ten and whole above.
func percent(share float64) string {
	if share < 0.095 {
		return strconv.FormatFloat(100*share, 'g', 2, 64)
	}
	return strconv.FormatFloat(100*share, 'f', 0, 64)
}

// grade judges a value that lies between low and high, both "at most".
func grade(low, high, preferred, limit float64) Word {
	switch {
	case high <= preferred:
		return Fit
	case high <= limit:
		return Usable
	case low > limit:
		return Unfit
	}
	return CannotTell
}

func (v *Verdict) atMost(what, measured string, low, high float64, unit string, need Need) {
	v.add(Line{what, measured, atMostText(need, unit), need.Source, grade(low, high, need.Preferred, need.Limit), false}, "")
}

func (v *Verdict) unknown(what, unit string, need Need, why string) {
	v.add(Line{what, "not known", atMostText(need, unit), need.Source, CannotTell, false}, what+": "+why)
}

// add takes a line in; doubt is said when the line could not be judged.
func (v *Verdict) add(l Line, doubt string) {
	v.Lines = append(v.Lines, l)
	if l.Word == CannotTell && !l.Aside {
		v.Because = joinReasons(v.Because, doubt)
	}
}

// decide puts the lines together: one that fails decides, then one in doubt.
func (v Verdict) decide() Verdict {
	worst, doubt := Fit, v.Because
	rank := map[Word]int{Fit: 0, Usable: 1, CannotTell: 2, Unfit: 3}
	var because string
	for _, l := range v.Lines {
		if l.Aside {
			continue
		}
		if rank[l.Word] > rank[worst] {
			worst, because = l.Word, ""
		}
		if l.Word == worst && worst != Fit {
			because = joinReasons(because, fmt.Sprintf("%s is %s, needed %s", l.What, l.Measured, l.Need))
		}
	}
	v.Word, v.Because = worst, because
	switch worst {
	case Fit:
		v.Because = "every need is met"
	case CannotTell:
		v.Because = "because " + doubt
	case Unfit:
		if v.UsersKnown {
			v.Users, v.UsersBecause = 0, "not good enough for one"
		}
	}
	return v
}
