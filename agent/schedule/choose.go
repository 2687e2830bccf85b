package schedule

import (
	"cmp"
	"fmt"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"time"

	"candlemark/probes"
)

// Why a probe is held back.
const (
	BudgetSpent  = "data budget spent"
	BelowReserve = "pack below reserve"
	NotQuiet     = "waits for a quiet link: " // and why it is not
)

const (
	jitterShare  = 0.1              // of the period, either way
	firstWithin  = 2 * time.Minute  // first starts are spread over this at most
	recheckAfter = 10 * time.Minute // a held item is looked at again within this
	// longestPeriod bounds a period against overflow.
	longestPeriod = 366 * 24 * time.Hour
)

// Schedule chooses the next probe. It is not safe for concurrent use.
type Schedule struct {
	config  Config
	random  *rand.Rand
	entries []entry
	running int // index of the running entry, none or claimed
	pending int64
	started bool
	in      Inputs // of the last Due
	now     time.Duration
	days    ledger
	months  ledger
	quiet   quiet
}

// Values of Schedule.running that are no index.
const (
	none    = -1
	claimed = -2
)

type entry struct {
	item   Item
	from   time.Duration // the last start
	gap    time.Duration // from there to the next, before it is stretched
	again  time.Duration // not before this: it was held
	forced bool
	waits  bool          // for a quiet link
	since  time.Duration // when that began; valid where waits
	held   string
	cost   int64 // what the last run took, the most it may cost before that
}

// waiting says whether a quiet link is all it waits for.
func (e *entry) waiting() bool { return e.waits && strings.HasPrefix(e.held, NotQuiet) }

// due is when the next start is due.
func (e *entry) due(stretch float64) time.Duration {
	if !e.item.heavy() {
		stretch = min(stretch, stretchLight)
	}
	return max(e.from+time.Duration(float64(e.gap)*stretch), e.again)
}

// New starts a schedule with nothing used.
func New(c Config) *Schedule { return Resume(c, Saved{}) }

// Resume starts a schedule with what an earlier run had used.
func Resume(c Config, saved Saved) *Schedule {
	s := &Schedule{
		config:  c,
		random:  rand.New(rand.NewPCG(c.Seed, 0x9e3779b97f4a7c15)),
		running: none,
		days:    newLedger(daysKept, dayLong, saved.Days),
		months:  newLedger(monthsKept, monthLong, saved.Months),
		quiet:   quiet{config: c.Quiet},
	}
	s.Spend(Probing, saved.Pending) // nobody knows how much of it a crash left unused
	for _, item := range c.Items {
		if item.Every > 0 {
			s.entries = append(s.entries, entry{item: item, cost: item.cost()})
		}
	}
	return s
}

// Due chooses the probe to start now; the caller must call Done when it ended, and
// asks again as often as starts shall be exact, once a second say. While a probe runs,
// ok is false. An Up that runs backwards is taken as standing still.
func (s *Schedule) Due(in Inputs) (start Start, ok bool) {
	s.advance(in)
	busy := s.quiet.busy(s.now)
	stretch := s.Stretched()
	for i := range s.entries {
		e := &s.entries[i]
		if why := s.heldBy(e.item); why != "" || !e.waits { // one that waits says so while another runs, too
			e.held = why
		}
	}
	if s.running != none {
		return Start{}, false
	}
	best := none
	for i := range s.entries {
		e := &s.entries[i]
		if !s.ready(e, stretch, busy) {
			continue
		}
		if best == none || s.before(e, &s.entries[best], stretch) {
			best = i
		}
	}
	if best == none {
		return Start{}, false
	}
	return s.begin(best, busy), true
}

// Stretched is what periods are multiplied by, as of the last Due.
func (s *Schedule) Stretched() float64 {
	if !s.in.EnergyKnown {
		return 1
	}
	return Stretch(s.in.EnergyRatio)
}

// ready says whether an entry may start now, and puts it off where it may not.
func (s *Schedule) ready(e *entry, stretch float64, busy string) bool {
	if !e.forced && e.due(stretch) > s.now {
		return false
	}
	if e.held != "" && !e.waiting() {
		e.forced, e.waits = false, false
		e.again = s.now + s.jittered(min(e.item.Every, recheckAfter))
		return false
	}
	if !e.item.heavy() || e.forced || busy == "" {
		e.held = ""
		return true
	}
	if !e.waits {
		e.waits, e.since = true, s.now
	}
	if s.now-e.since < s.config.Quiet.Wait {
		e.held = NotQuiet + busy
		return false
	}
	e.held = ""
	return true
}

func (s *Schedule) begin(i int, busy string) Start {
	e := &s.entries[i]
	start := Start{Item: e.item, Forced: e.forced}
	if e.item.heavy() {
		start.Busy = busy
	}
	if e.waits {
		start.Waited = s.now - e.since
	}
	e.forced, e.waits = false, false
	e.from, e.gap, e.again = s.now, s.jittered(e.item.Every), 0
	s.running, s.pending = i, e.item.cost()
	return start
}

// Done ends the running probe and counts its bytes, whether it measured or not.
// Of a probe that is not running only the bytes count.
func (s *Schedule) Done(name string, up time.Duration, bytes int64) {
	s.now = max(s.now, up)
	free := false
	for i := range s.entries {
		e := &s.entries[i]
		if e.item.Name != name {
			continue
		}
		free = e.item.Free
		if !free {
			e.cost = max(bytes, 0)
		}
		if s.running == i {
			s.ended()
		}
	}
	if !free {
		s.Spend(Probing, bytes)
	}
}

func (s *Schedule) ended() {
	s.running, s.pending = none, 0
	s.quiet.disturbed()
}

// Force has a probe start next, whatever its period and however busy the link. It
// does not pass the budget or the reserve: why says so.
func (s *Schedule) Force(name string) (why string, ok bool) {
	for i := range s.entries {
		e := &s.entries[i]
		if e.item.Name != name {
			continue
		}
		if why := s.heldBy(e.item); why != "" {
			return why, false
		}
		e.forced = true
		return "", true
	}
	var names []string
	for _, e := range s.entries {
		names = append(names, strconv.Quote(e.item.Name))
	}
	return "no such probe; the probes are: " + strings.Join(names, ", "), false
}

// Claim keeps all probes from starting until Release, for somebody who measures
// himself and may use so many bytes. why says for what reason it is not had.
func (s *Schedule) Claim(up time.Duration, bytes int64) (why string, ok bool) {
	s.now = max(s.now, up)
	switch {
	case s.running == claimed:
		return "another measurement has the link", false
	case s.running != none:
		return "a probe is running", false
	case !s.room(max(bytes, 0), true):
		return BudgetSpent, false
	}
	s.running, s.pending = claimed, max(bytes, 0)
	return "", true
}

// Release ends a claim and counts its bytes.
func (s *Schedule) Release(up time.Duration, bytes int64) {
	s.now = max(s.now, up)
	s.Spend(Probing, bytes)
	if s.running == claimed {
		s.ended()
	}
}

// Held says why a probe is being held back as of the last Due, or "".
func (s *Schedule) Held(name string) string {
	for _, e := range s.entries {
		if e.item.Name == name {
			return e.held
		}
	}
	return ""
}

// advance moves to the time and the day of in, and spreads the first starts.
func (s *Schedule) advance(in Inputs) {
	s.now, s.in = max(s.now, in.Up), in
	if !s.started {
		s.started, s.now = true, in.Up
		for i := range s.entries {
			spread := float64(min(s.entries[i].item.Every, firstWithin))
			s.entries[i].again = s.now + time.Duration(spread*s.random.Float64())
		}
	}
	s.days.turn(in.Day, s.now)
	s.months.turn(in.Day[:min(len("2026-11"), len(in.Day))], s.now)
}

func (s *Schedule) heldBy(item Item) string {
	if item.heavy() && s.in.RemainingKnown && s.in.Remaining < s.config.ReserveBelow {
		return BelowReserve
	}
	if !s.room(item.cost(), item.heavy()) {
		return BudgetSpent
	}
	return ""
}

// before says whether ready entry a goes before ready entry b.
func (s *Schedule) before(a, b *entry, stretch float64) bool {
	return cmp.Or(cmp.Compare(s.turn(a, stretch), s.turn(b, stretch)), cmp.Compare(a.due(stretch), b.due(stretch))) < 0
}

// turn ranks a ready entry: what is asked for, a starving transfer, the short ones,
// then transfers.
func (s *Schedule) turn(e *entry, stretch float64) int {
	switch {
	case e.forced:
		return 0
	case !e.item.heavy():
		return 2
	case s.now-e.due(stretch) >= e.item.Every:
		return 1
	}
	return 3
}

func (s *Schedule) jittered(d time.Duration) time.Duration {
	j := time.Duration(float64(min(d, longestPeriod)) * (1 + jitterShare*(2*s.random.Float64()-1)))
	return max(j, 1)
}

// Saved is the use of data and energy as plain data for JSON, newest last.
type Saved struct {
	Days   []Use `json:"days,omitempty"`
	Months []Use `json:"months,omitempty"`
	// Pending is the most that a probe under way may cost: counted as used by
	// whoever resumes without knowing its end.
	Pending int64 `json:"pending,omitempty"`
}

// Save returns what Resume needs.
func (s *Schedule) Save() Saved {
	return Saved{Days: slices.Clone(s.days.uses), Months: slices.Clone(s.months.uses), Pending: s.pending}
}

// Saw takes a probe's result as far as it tells how busy the link is.
func (s *Schedule) Saw(r probes.Result, up time.Duration) { s.quiet.saw(r, up) }

// Traffic takes the running count of bytes on the way out, and how many of them
// since the last count were the agent's own and no probe's; known is false where
// nobody counts.
func (s *Schedule) Traffic(up time.Duration, total uint64, own int64, known bool) {
	s.quiet.traffic(up, total, own, known && s.running == none)
}

// Describe says in words what a start does not show by itself, or "".
func (s Start) Describe() string {
	switch {
	case s.Busy != "" && s.Forced:
		return "asked for; the link was not quiet: " + s.Busy
	case s.Busy != "":
		return fmt.Sprintf("waited %s for a quiet link in vain: %s", s.Waited.Round(time.Second), s.Busy)
	case s.Forced:
		return "asked for"
	}
	return ""
}
