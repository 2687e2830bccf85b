package quality

import (
	"fmt"
	"math"
)

// Place is where a fault lies.
type Place string

const (
	NoFault     Place = "no fault shown"
	LocalHop    Place = "local hop"
	TheUplink   Place = "uplink"
	BothParts   Place = "both"
	PlaceUnsure Place = "cannot tell"
)

// Look is one burst of round trips to one target.
type Look struct {
	RTTMs      Figure // median of the answered
	Lost, Sent int    // Sent 0: not looked
}

// Round is one look at the near element (the hop) and through it at the far side
// (end to end), idle and, where it was made, under load.
type Round struct {
	Hop, End             Look
	HopLoaded, EndLoaded Look
}

// Limits says what is a fault worth a name. All are rules of thumb, except where
// DefaultLimits names a source.
type Limits struct {
	// A delay is at fault when it is above normal by as much as the greater of DelayMs
	// and DelayShare of normal.
	DelayMs, DelayShare float64
	RiseMs              float64 // under load, above the normal rise
	LossRatio           float64 // above the normal loss
	// What is normal where no normal rounds are known.
	HopMs, BeyondMs float64
}

// DefaultLimits: beyond the hop, twice the 150 ms that G.114 finds good for most
// uses; the rest are rules of thumb.
func DefaultLimits() Limits {
	return Limits{DelayMs: 10, DelayShare: 0.25, RiseMs: 50, LossRatio: 0.05, HopMs: 20, BeyondMs: 300}
}

// Attribution is where a fault lies, and how that is known.
type Attribution struct {
	Place    Place  `json:"place"`
	Evidence string `json:"evidence"` // one sentence
	// Because says why it cannot be told, and what would tell; empty otherwise.
	Because string `json:"because,omitempty"`
	// FaultShown says that something is wrong, be its place known or not.
	FaultShown bool `json:"fault_shown"`
}

// Attribute says where a fault lies.
//
// # Model
//
// The far side is seen through the hop. What is beyond the hop is therefore the
// end-to-end figure less the hop's, for delay, for its rise under load, and for
// loss. Each of the six is held against what was normal (the rounds of normal; at
// least three, else Limits' own) and is one of: at fault (shown to be above normal
// and by half of what Limits calls a fault), clear (shown to be less than a fault),
// or in doubt. The chance to call a sound one faulty is about 0.15 % each.
//
// A slow or lossy answer of the near element does not prove the hop guilty (the
// responsiveness draft warns of it): routers answer echoes when they have time.
// The hop is blamed only for what the end-to-end figure shows as well.
//
// # Limits
//
// A fault that comes and goes within a round is not seen. A cause that slows hop
// and beyond together by chance looks like both. When the hop loses everything,
// what is beyond is not seen at all. Rates are no part of it: a hop of a low rate
// shows as a rise of delay under load.
func Attribute(now, normal []Round, l Limits) Attribution {
	v := newView(now, normal, l)
	switch {
	case v.endSent == 0:
		return unsure(v.hopAlone(), "the far side was not probed; a slow answer of the near element does not prove the hop guilty", false)
	case v.hopLost() && v.endLost() && v.hopAnsweredBefore:
		return Attribution{Place: LocalHop, FaultShown: true, Evidence: fmt.Sprintf(
			"none of %d packets to the far side and none of %d to the near element was answered, and the near element did answer before", v.endSent, v.hopSent)}
	case v.hopSent == 0 || v.hopLost():
		return v.withoutHop()
	}
	return v.decide(v.symptoms())
}

func unsure(evidence, because string, shown bool) Attribution {
	return Attribution{Place: PlaceUnsure, Evidence: evidence, Because: because, FaultShown: shown}
}

type state int

const (
	notKnown state = iota
	clear
	doubtful
	faulty
)

// symptom is one figure's excess over normal.
type symptom struct {
	part  string // "hop" or "beyond"
	what  string // "delay", "rise under load", "loss"
	state state
	v     float64 // ms, or a ratio
	upper float64 // what cannot be excluded
	fault float64 // what would be a fault
	said  string
}

const (
	chanceFaulty = 0.9985 // one-sided, to call a figure faulty
	chanceClear  = 0.99   // one-sided, to call it clear
)

func judgeDelay(e estimate, fault float64) (s state, upper float64) {
	upper = e.v + e.reach(chanceClear)
	switch {
	case e.v >= fault/2 && e.v-e.reach(chanceFaulty) > 0 && upper >= fault/2:
		return faulty, upper
	case upper < fault:
		return clear, upper
	}
	return doubtful, upper
}

// decide puts the symptoms of both parts together.
func (v view) decide(all []symptom) Attribution {
	worst := map[string]symptom{}
	var leading symptom
	for _, s := range all {
		if s.state > worst[s.part].state || s.state == worst[s.part].state && s.weight() > worst[s.part].weight() {
			worst[s.part] = s
		}
		if s.state == faulty && s.weight() > leading.weight() {
			leading = s
		}
	}
	hop, beyond := worst["hop"], worst["beyond"]
	a := Attribution{FaultShown: hop.state == faulty || beyond.state == faulty}
	switch {
	case hop.state == faulty && beyond.state == faulty:
		a.Place = BothParts
		a.Evidence = hop.said + "; " + beyond.said
	case a.FaultShown:
		other := hop
		a.Place = TheUplink
		if hop.state == faulty {
			a.Place, other = LocalHop, beyond
		}
		a.Evidence = leading.said
		// A large fault of one part blurs the same figure of the other.
		least := other.fault / 2
		if other.what == leading.what {
			least = max(least, leading.v/4)
		}
		if other.state == doubtful && other.v >= least {
			return unsure(leading.said, fmt.Sprintf("the %s may be at fault too: %s; more rounds would tell", partName(other.part), other.said), true)
		}
	case hop.state == doubtful || beyond.state == doubtful:
		open := hop
		if beyond.state == doubtful && (hop.state != doubtful || beyond.weight() > hop.weight()) {
			open = beyond
		}
		return unsure(open.said, fmt.Sprintf("a fault of the %s (%s up to %s) is neither shown nor excluded; more rounds, or steadier ones, would tell",
			partName(open.part), open.what, amount(open.what, open.upper)), false)
	case hop.state == notKnown && beyond.state == notKnown:
		return unsure("", fmt.Sprintf("only %s, at least %d are needed", plural(v.rounds, "round"), LeastRounds), false)
	default:
		a.Place = NoFault
		most := hop
		if beyond.weight() > hop.weight() {
			most = beyond
		}
		a.Evidence = "nothing above normal by what matters; the most is: " + most.said
	}
	a.Evidence += v.basis()
	return a
}

// weight compares symptoms of different units.
func (s symptom) weight() float64 {
	if s.fault <= 0 {
		return math.Inf(-1)
	}
	return s.v / s.fault
}

func partName(part string) string {
	if part == "hop" {
		return "local hop"
	}
	return "uplink"
}

func amount(what string, v float64) string {
	if what == "loss" {
		return fmt.Sprintf("%.1f %%", 100*v)
	}
	return fmt.Sprintf("%.1f ms", v)
}

func plural(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
