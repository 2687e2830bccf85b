package plan

import (
	"encoding/json"
	"time"
)

// Verdict says whether to build it.
type Verdict string

const (
	Runs        Verdict = "runs"
	WillNotRun  Verdict = "will_not_run"
	MayNotStart Verdict = "may_not_start"
	NotSafe     Verdict = "not_safe"
)

func (v Verdict) words() string {
	switch v {
	case WillNotRun:
		return "will not run"
	case MayNotStart:
		return "may never start"
	case NotSafe:
		return "not safe as drawn"
	}
	return "runs"
}

// String is the verdict for people.
func (v Verdict) String() string { return v.words() }

// Range is a length of time with its uncertainty: about nine in ten fall within
// (common practice, no source).
type Range struct{ Low, Expected, High time.Duration }

// MarshalJSON writes whole seconds.
func (r Range) MarshalJSON() ([]byte, error) {
	return json.Marshal(map[string]int64{
		"low_s": int64(r.Low / time.Second), "expected_s": int64(r.Expected / time.Second), "high_s": int64(r.High / time.Second),
	})
}

// String is the range as people say it, the figure to rely on first.
func (r Range) String() string {
	return sprintf("at least %s, expected %s", Span(r.Low), Span(r.Expected))
}

// Report answers a Plan.
type Report struct {
	Name         string        `json:"name"`
	Site         string        `json:"site,omitempty"`
	NeedS        float64       `json:"need_s"` // 0 not stated
	Answer       string        `json:"answer"`
	Recommended  string        `json:"recommended"` // name of an arrangement; "" none
	Reason       string        `json:"reason"`
	Arrangements []Result      `json:"arrangements"`
	Places       []PlaceResult `json:"places"`
	Relays       []RelayResult `json:"relays"`
	Guide        []string      `json:"placement_guide"`
	Cautions     []Caution     `json:"cautions"`
	Rules        []Rule        `json:"rules"`
	Rotation     *Schedule     `json:"rotation"` // null where no packs are rotated
	RotationWhy  string        `json:"rotation_why,omitempty"`
}

// Result is one arrangement.
type Result struct {
	Name          string       `json:"name"`
	Backhaul      Backhaul     `json:"backhaul,omitempty"`
	Verdict       Verdict      `json:"verdict"`
	Answer        string       `json:"answer"`
	OverWetV      float64      `json:"over_wet_v"` // where it is wet: highest voltage above WetV that people may touch; 0 none
	UpRatio       float64      `json:"up_ratio"`   // share of the time that everything is on
	Endurance     *Range       `json:"endurance"`  // on all packs on hand; null without packs
	PerPack       *Range       `json:"per_pack"`   // until the first swap
	MeanW         float64      `json:"mean_w"`     // at the sources
	PacksFor      *float64     `json:"packs_for_need"`
	FailsFirst    string       `json:"fails_first"` // least margin, or what does not run
	FailsFirstWhy string       `json:"fails_first_why"`
	EndsFirst     string       `json:"ends_first"`   // what runs out first, in words; "" where it does not run
	GrowthLimit   string       `json:"growth_limit"` // element that gives way as the load grows; "" none is stated
	GrowthLimitW  *float64     `json:"growth_limit_w"`
	Feeds         []FeedResult `json:"feeds"`
}

// FeedResult is one feed, worked out at the lowest source voltage with
// everything on unless said otherwise.
type FeedResult struct {
	Source      string          `json:"source"`
	Verdict     Verdict         `json:"verdict"`
	Why         string          `json:"why"`
	WorstV      float64         `json:"worst_source_v"` // the voltage the table is for
	WorstA      float64         `json:"worst_source_a"` // current there
	UsualV      float64         `json:"usual_source_v"` // nominal
	UsualA      *float64        `json:"usual_source_a"` // null where it does not run
	MeanW       *float64        `json:"mean_source_w"`  // with duty cycles, at the usual voltage
	LossRatio   *float64        `json:"loss_ratio"`     // lost of what the source gives
	MostLoadW   *float64        `json:"most_load_w"`    // largest load power that would run; null none would
	MostOf      string          `json:"most_load_of"`   // the loads it counts
	StopsAtV    float64         `json:"stops_at_v"`     // source voltage at which it ends
	StopsBy     string          `json:"stops_by"`       // what ends it
	UnusedRatio float64         `json:"unused_ratio"`   // charge left in the pack then
	UsableWh    *float64        `json:"usable_wh"`      // of one pack (or packs together)
	Endurance   *Range          `json:"endurance"`      // on one pack (or packs together)
	FailsFirst  string          `json:"fails_first"`    // element with the least margin
	FailsWhy    string          `json:"fails_first_why"`
	Elements    []ElementResult `json:"elements"`
	Limits      []Limit         `json:"limits"`
	Fuses       []FuseCheck     `json:"fuses"`
	Notes       []string        `json:"notes"`

	source   Source
	grows    string  // element that gives way as the load grows
	headroom float64 // by how much all loads could grow at the usual voltage
}

// ElementResult is one element at the worst operating point.
type ElementResult struct {
	Name     string  `json:"name"`
	Kind     string  `json:"kind"`
	InV      float64 `json:"in_v"`
	OutV     float64 `json:"out_v"`
	CurrentA float64 `json:"current_a"`
	LossW    float64 `json:"loss_w"`
	LoadW    float64 `json:"load_w"` // of a load
	Detail   string  `json:"detail"`
}

// Limit is one limit and how far the plan stays from it.
type Limit struct {
	Element string  `json:"element"`
	What    string  `json:"what"`
	Value   float64 `json:"value"`
	Bound   float64 `json:"bound"`
	Unit    string  `json:"unit"`
	Least   bool    `json:"least"`  // the bound is a least value
	Margin  float64 `json:"margin"` // ratio to the bound, negative beyond it
	OK      bool    `json:"ok"`
	Safety  bool    `json:"safety"` // beyond it is dangerous or destroys, not merely dark
	fixed   bool    // it does not come nearer as load grows or the pack empties
}

func limit(element, what string, value, bound float64, unit string, least bool) Limit {
	l := Limit{Element: element, What: what, Value: value, Bound: bound, Unit: unit, Least: least}
	if least {
		l.Margin = value/bound - 1
	} else {
		l.Margin = 1 - value/bound
	}
	l.OK = l.Margin >= -1e-9
	return l
}
