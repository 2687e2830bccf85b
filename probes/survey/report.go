package survey

import (
	"time"

	"candlemark/probes"
)

// Word is a verdict.
type Word string

const (
	Better       Word = "better"
	Worse        Word = "worse"
	NoDifference Word = "no difference shown"
	CannotTell   Word = "cannot tell"
)

// Report is what a survey came to.
type Report struct {
	Name         string         `json:"name"`
	Place        string         `json:"place,omitempty"`
	Arrangements []string       `json:"arrangements"`
	Order        Order          `json:"order"`
	Section      probes.Section `json:"section"`
	Primary      Question       `json:"primary"`
	Threshold    float64        `json:"threshold"`
	LossShare    float64        `json:"loss_threshold"`
	Begun        time.Time      `json:"begun"`
	Declared     int            `json:"rounds_declared"` // of all arrangements together
	Made         int            `json:"rounds_made"`
	Extended     int            `json:"extended"`
	Ignored      int            `json:"records_ignored"`
	Bytes        int64          `json:"bytes"`
	Drift        []Drift        `json:"drift"`
	Comparisons  []Comparison   `json:"comparisons"`
	Cautions     []string       `json:"cautions"`
}

// Comparison holds one arrangement against the first.
type Comparison struct {
	Base    string   `json:"base"`  // "A"
	Other   string   `json:"other"` // "B"
	Answers []Answer `json:"answers"`
}

// Answer is the verdict on one question.
type Answer struct {
	Question Question `json:"question"`
	Primary  bool     `json:"primary"`
	Unit     string   `json:"unit"`
	Verdict  Word     `json:"verdict"`
	Because  string   `json:"because"` // one sentence

	// The figures by round, in the order made; for the plot and for whoever checks.
	BaseValues  []float64 `json:"base_values"`
	OtherValues []float64 `json:"other_values"`
	// Unknown counts rounds without a figure, with the first reason.
	Unknown    int    `json:"unknown"`
	UnknownWhy string `json:"unknown_why,omitempty"`

	// Compared is false when there is nothing to compute from; what follows is then 0.
	Compared    bool    `json:"compared"`
	Pairs       int     `json:"pairs,omitempty"` // 0 when rounds are not paired
	BaseMedian  float64 `json:"base_median"`
	OtherMedian float64 `json:"other_median"`
	Difference  float64 `json:"difference"` // other less base, Hodges-Lehmann
	Bounded     bool    `json:"bounded"`    // the interval is known
	Lower       float64 `json:"lower"`
	Upper       float64 `json:"upper"`
	Level       float64 `json:"level"`
	Matters     float64 `json:"matters"` // the difference that matters, in Unit
	Test        string  `json:"test"`
	P           float64 `json:"p"`
	PCorrected  float64 `json:"p_corrected"`
	Exact       bool    `json:"exact"`
	Tied        bool    `json:"tied"`

	// More is how many further rounds of each arrangement would settle it, most likely,
	// with the range that holds the number in at least four surveys of five; given with
	// "cannot tell" where it can be said.
	More      int  `json:"more_rounds"`
	MoreLow   int  `json:"more_rounds_low"`
	MoreHigh  int  `json:"more_rounds_high"`
	MoreKnown bool `json:"more_known"`

	leastP     float64
	scatter    float64 // of one paired difference, or of one round in runs
	df         int     // of the scatter
	lost, sent [2]int  // of packets, base and other; for loss
}

// Drift is how a figure changed during the survey, arrangements put aside.
type Drift struct {
	Of     string  `json:"of"`
	Unit   string  `json:"unit"`
	Rounds int     `json:"rounds"`
	Change float64 `json:"change"` // over the whole survey, by the line of best fit
	Error  float64 `json:"error"`  // its standard error
	Share  float64 `json:"share"`  // of the mean, where that is not 0
	P      float64 `json:"p"`
	Shown  bool    `json:"shown"` // at 5 %
	// Wanders says that neighbouring rounds are alike, as in a drift that is no line.
	Wanders bool `json:"wanders"`
}
