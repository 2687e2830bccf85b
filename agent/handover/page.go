package handover

import (
	"time"

	"candlemark/agent/journal"
	"candlemark/agent/plan"
	"candlemark/agent/status"
)

// Input is everything a page is built from.
type Input struct {
	Incident Incident // zero: none was opened
	// Snapshot is the running agent's picture; without Live only its Known and
	// Alarms are used, as the journal holds them.
	Snapshot status.Snapshot
	Live     bool
	Records  []journal.Record // in the order they were appended
	Earlier  bool             // there are older records than these that could not be had
	Boot     string           // of the present boot; "" not known

	Duty        *plan.Duty // packs on hand, with what is measured put in; nil without a plan
	DutyWhy     string     // why there is none although a plan was given
	Cautions    []plan.Caution
	Arrangement string // of the plan; used where nothing was recorded

	Now      time.Time     // in the zone to print
	Up       time.Duration // uptime of the board at Now
	ClockSet bool
	Since    time.Time // of the log
	Until    time.Time // of the log; zero is no end
	SinceWhy string    // in words: "the last 12 h"
	Preparer Preparer
	Full     bool
}

// Preparer is who signs the page.
type Preparer struct {
	Name     string `json:"name"`
	Position string `json:"position"`
	Agency   string `json:"agency"`
}

// Row is one labelled line.
type Row struct {
	Block string `json:"block,omitempty"` // of the public forms: "201-1"
	Label string `json:"label"`
	Value string `json:"value"`
}

// Page is what is handed over.
type Page struct {
	Made     time.Time `json:"made"`
	MadeText string    `json:"made_text"`
	ClockSet bool      `json:"clock_set"`
	Live     bool      `json:"live"`
	Full     bool      `json:"full"`
	Relay    string    `json:"relay"`

	Incident Incident `json:"incident"`
	Head     []Row    `json:"head"`    // incident, period, site, people
	Service  []Row    `json:"service"` // arrangement, feeding, objectives
	Means    []Row    `json:"means"`   // primary to emergency

	Endurance Endurance `json:"endurance"`
	Packs     []Pack    `json:"packs"`
	Links     []Link    `json:"links"`
	Alarms    []Alarm   `json:"open_alarms"`
	Verdicts  []Verdict `json:"pack_verdicts"`

	Weak     []string       `json:"weak_points"`
	NotKnown []string       `json:"not_known"`
	Hazards  []string       `json:"hazards"`  // as recorded on site
	Cautions []plan.Caution `json:"cautions"` // that go with the equipment
	Governs  string         `json:"governs"`

	LogFrom  string  `json:"log_from"`
	Activity []Row   `json:"activity_head"` // blocks 1 to 6 of the activity log
	Log      []Entry `json:"log"`
	LogLeft  int     `json:"log_left_out"`
	// LogFolded counts repeats of an alarm that stand on the line of the newest.
	LogFolded int `json:"log_folded"`

	Preparer Preparer `json:"prepared_by"`
	left     int      // lines left out elsewhere
}

// Endurance answers how long the link stays up.
type Endurance struct {
	Answer      string     `json:"answer"`
	Basis       string     `json:"basis"`
	UpLow       *time.Time `json:"up_until_low"`
	UpExpected  *time.Time `json:"up_until_expected"`
	NextSwap    *time.Time `json:"next_swap"`
	GeneratorBy *time.Time `json:"generator_by"`
	Swaps       []Row      `json:"swaps"`
	Advice      []Row      `json:"advice"` // pack by pack, where somebody has to do something
}

// Pack is one pack in use.
type Pack struct {
	Name   string `json:"name"`
	Now    string `json:"now"`  // volts, amperes, watts with their age
	Left   string `json:"left"` // with its range
	Charge string `json:"charge"`
	Note   string `json:"note"`
}

// Link is one measured target.
type Link struct {
	Name     string `json:"name"`
	Function string `json:"function"` // part of the path
	Measured string `json:"measured"`
	Count    string `json:"count"`
	Age      string `json:"age"`
}

// Alarm is one open alarm.
type Alarm struct {
	Severity string `json:"severity"`
	Title    string `json:"title"`
	Action   string `json:"action"`
	Since    string `json:"since"`
}

// Verdict is what is thought of a pack.
type Verdict struct {
	Pack    string `json:"pack"`
	Place   string `json:"place"`
	Verdict string `json:"verdict"`
	Why     string `json:"why"`
}

// Entry is one line of the activity log.
type Entry struct {
	At      time.Time `json:"at"` // put right where that was possible
	Local   string    `json:"local"`
	UTC     string    `json:"utc"`
	Clock   string    `json:"clock"` // "" good; "~" put right; "?" in doubt
	Kind    string    `json:"kind"`
	Subject string    `json:"subject"`
	Who     string    `json:"who"`
	Text    string    `json:"text"`
	Changed bool      `json:"changed"` // somebody changed something
	Seq     uint64    `json:"record"`
}

// Build makes the page.
func Build(in Input) Page {
	p := Page{
		Made: in.Now, MadeText: dated(in.Now, in.Now.Location()), ClockSet: in.ClockSet, Live: in.Live, Full: in.Full,
		Relay: orNot(in.Snapshot.Relay), Incident: in.Incident, Governs: plan.Governs, Preparer: Preparer{oneLine(in.Preparer.Name), oneLine(in.Preparer.Position), oneLine(in.Preparer.Agency)},
		Cautions: in.Cautions,
	}
	entries := timed(in)
	notes := labelled(entries)
	p.frame(in, notes)
	p.power(in)
	p.links(in)
	p.alarms(in)
	p.weak(in, notes)
	p.unknown(in, entries, notes)
	p.Hazards = notes.all("hazard")
	p.log(in, entries, notes)
	p.complete()
	if !in.Full {
		p.fit()
	}
	return p
}

// complete makes no list null in JSON.
func (p *Page) complete() {
	p.Packs, p.Links, p.Alarms, p.Verdicts = some(p.Packs), some(p.Links), some(p.Alarms), some(p.Verdicts)
	p.Weak, p.NotKnown, p.Hazards, p.Cautions, p.Log = some(p.Weak), some(p.NotKnown), some(p.Hazards), some(p.Cautions), some(p.Log)
	p.Endurance.Swaps, p.Endurance.Advice = some(p.Endurance.Swaps), some(p.Endurance.Advice)
}

func some[T any](list []T) []T {
	if list == nil {
		return []T{}
	}
	return list
}
