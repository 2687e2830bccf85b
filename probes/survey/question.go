package survey

import (
	"slices"
	"strings"
	"time"

	"candlemark/probes"
)

// Question is what is asked of every arrangement.
type Question string

const (
	Down      Question = "throughput_down"
	Up        Question = "throughput_up"
	Latency   Question = "latency"
	Variation Question = "delay_variation"
	Loaded    Question = "loaded_latency"
	Loss      Question = "loss"
)

// Questions are all of them, in the order they are shown.
func Questions() []Question { return []Question{Down, Up, Latency, Variation, Loaded, Loss} }

// Title is the question for people.
func (q Question) Title() string {
	switch q {
	case Down:
		return "throughput down"
	case Up:
		return "throughput up"
	case Latency:
		return "latency, link idle"
	case Variation:
		return "delay variation"
	case Loaded:
		return "latency under load"
	case Loss:
		return "loss"
	}
	return string(q)
}

// Unit of the question's figures.
func (q Question) Unit() string {
	switch q {
	case Down, Up:
		return "bit/s"
	case Loss:
		return "ratio"
	}
	return "ms"
}

// MoreIsBetter says which way is good.
func (q Question) MoreIsBetter() bool { return q == Down || q == Up }

// Figure is the answer of one round to one question. A value that is not known is
// no value; Why says why.
type Figure struct {
	Section  probes.Section `json:"section"`
	Question Question       `json:"question"`
	Value    float64        `json:"value,omitempty"`
	Known    bool           `json:"known"`
	Why      string         `json:"why,omitempty"`
	// Samples behind the value: packets answered, or sent for loss; bytes for throughput.
	Samples int64 `json:"samples,omitempty"`
	Lost    int64 `json:"lost,omitempty"`
}

// figures turns one probe's result into figures.
func figures(r probes.Result, loaded bool) []Figure {
	none := func(q Question, why string) Figure { return Figure{Section: r.Section, Question: q, Why: clip(why)} }
	why := "not measured"
	if r.Err != nil {
		why = r.Err.Error()
	}
	switch {
	case r.Kind == probes.Throughput && r.Throughput != nil:
		s := r.Throughput
		down, up := none(Down, why), none(Up, why)
		if s.DownKnown {
			down = Figure{Section: r.Section, Question: Down, Value: s.Down, Known: true, Samples: s.DownBytes}
		}
		if s.UpKnown {
			up = Figure{Section: r.Section, Question: Up, Value: s.Up, Known: true, Samples: s.UpBytes}
		}
		return append([]Figure{down, up}, under(r.Section, s)...)
	case r.Kind == probes.Throughput:
		return []Figure{none(Down, why), none(Up, why)}
	case r.Kind != probes.Latency:
		return nil
	case r.Latency == nil && loaded:
		return []Figure{none(Loaded, why)}
	case r.Latency == nil:
		return []Figure{none(Latency, why), none(Variation, why), none(Loss, why)}
	}
	s := r.Latency
	rtt, variation, loss := none(Latency, "no packet was answered"), none(Variation, "fewer than two packets were answered"), none(Loss, "no packet was sent")
	answered := int64(len(s.RTTs))
	if s.RTTKnown {
		rtt = Figure{Section: r.Section, Question: Latency, Value: ms(s.Median), Known: true, Samples: answered}
	}
	if s.VariationKnown {
		variation = Figure{Section: r.Section, Question: Variation, Value: ms(s.PDVP95), Known: true, Samples: answered}
	}
	if ratio, ok := s.LossRatio(); ok {
		loss = Figure{Section: r.Section, Question: Loss, Value: ratio, Known: true, Samples: int64(s.Sent), Lost: int64(s.Lost)}
	}
	if loaded {
		rtt.Question = Loaded
		return []Figure{rtt}
	}
	return []Figure{rtt, variation, loss}
}

// under is the latency that a throughput probe measured under its own load, down
// before up.
func under(section probes.Section, s *probes.ThroughputStats) []Figure {
	for _, d := range []*probes.Transfer{s.DownDetail, s.UpDetail} {
		if d != nil && d.Loaded != nil && d.Loaded.RTTKnown {
			return []Figure{{Section: section, Question: Loaded, Value: ms(d.Loaded.Median), Known: true, Samples: int64(len(d.Loaded.RTTs))}}
		}
	}
	return nil
}

func ms(d time.Duration) float64 { return float64(d) / float64(time.Millisecond) }

// clip keeps a text within what a record may hold, and valid.
func clip(s string) string {
	s = strings.ToValidUTF8(s, "?")
	if len(s) > maxText {
		s = strings.ToValidUTF8(s[:maxText], "") // a rune may have been cut
	}
	return s
}

// merge keeps the first known figure of each section and question.
func merge(all []Figure, more []Figure) []Figure {
	for _, f := range more {
		i := slices.IndexFunc(all, func(o Figure) bool { return o.Section == f.Section && o.Question == f.Question })
		switch {
		case i < 0:
			all = append(all, f)
		case !all[i].Known && f.Known:
			all[i] = f
		}
	}
	return all
}
