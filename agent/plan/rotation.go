package plan

import (
	"errors"
	"math"
	"slices"
	"time"

	"candlemark/agent/pack"
)

// OnHand is one pack as it stands on the table, or in use.
type OnHand struct {
	Name        string
	Chemistry   pack.Chemistry
	SeriesCells int
	UsableWh    float64 // when full, at its health and temperature
	Charge      float64 // 0..1 of that
	Feed        string  // of the feed it is in use on; "" when it is not
	TempC       float64
	TempKnown   bool
	RestV       float64 // voltage at rest as found, whole pack
	RestKnown   bool
	Uses        int // discharges so far
}

// Charger fills one pack at a time from mains or a generator.
type Charger struct {
	PowerW float64   // into the packs; 0 is no charger
	From   time.Time // zero is from the start
}

// Draw is what one feed takes from the pack in use on it, on the mean, W.
type Draw struct {
	Feed  string
	LoadW float64
}

// Duty is what a rotation is worked out from. The caller says what time it is and
// what the loads are: measured where the agent runs, from the plan where not.
type Duty struct {
	Now     time.Time
	Draws   []Draw
	Packs   []OnHand
	Charger Charger
	// Down is by how much, as a logarithm, the packs' energy over the load may come
	// out below what is expected: the log of Range.Expected over Range.Low.
	Down float64
	// Ahead is how long before a pack is expected empty, by the low figure, to swap it.
	Ahead time.Duration
	// Lead is how long a generator takes from arriving to charging.
	Lead time.Duration
}

// Swap is one exchange of packs.
type Swap struct {
	Feed     string    `json:"feed"`
	Out      string    `json:"out"` // "" where none was in use
	In       string    `json:"in"`
	By       time.Time `json:"by"`       // low figure, with the time ahead taken off
	Expected time.Time `json:"expected"` // when Out is expected empty, put in by the time of the row before
}

// Advice is a word on one pack.
type Advice struct {
	Pack   string `json:"pack"`
	Charge bool   `json:"charge"` // to be charged now
	Why    string `json:"why"`
}

// Schedule answers how long the packs keep the link up.
type Schedule struct {
	Now          time.Time  `json:"now"`
	Answer       string     `json:"answer"`
	Sustained    bool       `json:"sustained"` // the charger keeps up, for Horizon at least
	UpLow        time.Time  `json:"up_until_low"`
	UpExpected   time.Time  `json:"up_until_expected"`
	NextSwap     *time.Time `json:"next_swap"`    // null: none to come
	GeneratorBy  *time.Time `json:"generator_by"` // null: none needed
	Swaps        []Swap     `json:"swaps"`
	Packs        []Advice   `json:"packs"`
	LoadW        float64    `json:"load_w"`
	ChargeW      float64    `json:"charge_w"`
	ChargeInVain bool       `json:"charge_refused"` // there is a charger, but no pack may be charged
}

// Horizon is how far a rotation looks ahead.
const Horizon = 7 * 24 * time.Hour

// chargeEfficiency is what of a charger's energy comes out of the pack again
// (common practice, no source).
const chargeEfficiency = 0.90

// Limits of charging, °C: the usual window of makers (from memory).
const coldestChargeC, hottestChargeC = 0.0, 45.0

// OverDischarged says whether the pack was found so empty that it must be neither
// charged nor used.
func (o OnHand) OverDischarged() bool {
	return o.RestKnown && o.RestV < OverDischargedV(o.Chemistry)*float64(max(o.SeriesCells, 1))
}

// mayCharge says whether charging the pack can be advised, and why not.
func (o OnHand) mayCharge() (ok bool, why string) {
	switch {
	case o.OverDischarged():
		return false, sprintf("found at %s, below %s a cell: do not charge or use it, take it out of service", volts(o.RestV), volts(OverDischargedV(o.Chemistry)))
	case !o.TempKnown:
		return false, "its temperature is not known: do not charge before it is above 0 °C"
	case o.TempC < coldestChargeC:
		return false, sprintf("at %.0f °C: warm it above 0 °C before charging", o.TempC)
	case o.TempC > hottestChargeC:
		return false, sprintf("at %.0f °C: let it cool below %.0f °C before charging", o.TempC, hottestChargeC)
	}
	return true, ""
}

// Measured puts in what the running agent measures on one feed: the mean load, and
// the time left of the pack in use with its low figure. Other feeds, and packs not
// in use, stay as they were.
func (d Duty) Measured(feed string, loadW float64, expected, low time.Duration) (Duty, error) {
	if !(loadW > 0) || math.IsInf(loadW, 0) || expected < 0 || low < 0 || low > expected {
		return d, errors.New("rotation: feed " + feed + ": the measured load or time left makes no sense")
	}
	d.Draws, d.Packs = slices.Clone(d.Draws), slices.Clone(d.Packs)
	at := slices.IndexFunc(d.Draws, func(x Draw) bool { return x.Feed == feed })
	inUse := slices.IndexFunc(d.Packs, func(o OnHand) bool { return o.Feed == feed })
	if at < 0 || inUse < 0 {
		return d, errors.New("rotation: no feed " + feed + " with a pack in use")
	}
	d.Draws[at].LoadW = loadW
	o := &d.Packs[inUse]
	leftWh := loadW * expected.Hours()
	o.UsableWh = math.Max(o.UsableWh, leftWh) // more than the label promised is good to know
	o.Charge = 0
	if o.UsableWh > 0 {
		o.Charge = leftWh / o.UsableWh
	}
	if low > 0 {
		d.Down = math.Max(d.Down, math.Log(float64(expected)/float64(low)))
	}
	return d, nil
}

func (d Duty) check() error {
	bad := func(x float64) bool { return math.IsNaN(x) || math.IsInf(x, 0) || x < 0 }
	if len(d.Draws) == 0 {
		return errors.New("rotation: no feed draws on the packs")
	}
	for _, x := range d.Draws {
		if bad(x.LoadW) || x.LoadW == 0 {
			return errors.New("rotation: feed " + x.Feed + ": the load is not known")
		}
	}
	for _, p := range d.Packs {
		if bad(p.UsableWh) || bad(p.Charge) || p.Charge > 1 || math.IsNaN(p.TempC) || math.IsNaN(p.RestV) {
			return errors.New("rotation: pack " + p.Name + ": its state is not known")
		}
	}
	if bad(d.Charger.PowerW) || bad(d.Down) || d.Ahead < 0 || d.Lead < 0 {
		return errors.New("rotation: charger, spread or time ahead is not a number from 0 up")
	}
	return nil
}

// Rotate works out swaps and charging. Packs are used in even turns: the fullest
// next, of equals the least used.
func (d Duty) Rotate() (Schedule, error) {
	if err := d.check(); err != nil {
		return Schedule{}, err
	}
	s := Schedule{Now: d.Now, Swaps: []Swap{}, Packs: []Advice{}, ChargeW: d.Charger.PowerW}
	for _, x := range d.Draws {
		s.LoadW += x.LoadW
	}
	s.Packs = d.advise()
	mid, low := d.simulate(1), d.simulate(math.Exp(-d.Down))
	s.UpExpected, s.UpLow = mid.up, low.up
	s.Sustained = !low.up.Before(d.Now.Add(Horizon))
	s.Swaps = d.dated(low.swaps)
	if len(s.Swaps) > 0 {
		s.NextSwap = &s.Swaps[0].By
	}
	charging := slices.ContainsFunc(d.Packs, func(o OnHand) bool { ok, _ := o.mayCharge(); return ok })
	s.ChargeInVain = d.Charger.PowerW > 0 && !charging
	if !s.Sustained {
		by := later(d.Now, s.UpLow.Add(-d.Lead))
		s.GeneratorBy = &by
	}
	s.Answer = s.words()
	return s, nil
}

// dated turns the swaps of the low run into a table to work by. A pack goes in when
// the row before says so, and is expected to last from there as much longer than in
// the low run as the packs give more: both times of a row are of one course of
// events, in which every swap is made by its time.
func (d Duty) dated(low []Swap) []Swap {
	out := []Swap{}
	type since struct{ inLow, by time.Time }
	in := map[string]since{}
	for _, x := range low {
		was, ok := in[x.Feed]
		if !ok {
			was = since{d.Now, d.Now}
		}
		at := x.Expected // of the low run, ahead of the pack's end
		x.By, x.Expected = later(d.Now, at), was.by.Add(hours((at.Sub(was.inLow)+d.Ahead).Hours()*math.Exp(d.Down)))
		x.Expected = later(x.Expected, x.By) // rounding must not put one before the other
		if x.Out == "" {
			x.By, x.Expected = d.Now, d.Now
		}
		in[x.Feed] = since{at, x.By}
		out = append(out, x)
	}
	return out
}

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// advise says for each pack whether to charge it now.
func (d Duty) advise() []Advice {
	out := []Advice{}
	for _, o := range d.Packs {
		a := Advice{Pack: o.Name}
		ok, why := o.mayCharge()
		switch {
		case o.Feed != "" && !o.OverDischarged():
			a.Why = "in use on " + o.Feed
		case !ok:
			a.Why = why
		case o.Charge >= 0.95:
			a.Why = "ready"
		case d.Charger.PowerW <= 0:
			a.Why = sprintf("%s charged; no charger here", percent(o.Charge))
		case d.Charger.From.After(d.Now):
			a.Why = sprintf("%s charged; charge it when power comes at %s", percent(o.Charge), Clock(d.Charger.From, d.Now))
		default:
			a.Charge, a.Why = true, sprintf("%s charged: charge it now", percent(o.Charge))
		}
		out = append(out, a)
	}
	return out
}

func (s Schedule) words() string {
	if s.Sustained {
		out := "the charger keeps the link up for as long as it runs"
		if s.NextSwap != nil {
			out += "; next swap at " + Clock(*s.NextSwap, s.Now)
		}
		return out
	}
	out := sprintf("link stays up until %s (low) / %s (expected)", Clock(s.UpLow, s.Now), Clock(s.UpExpected, s.Now))
	if s.NextSwap != nil {
		out += "; next swap at " + Clock(*s.NextSwap, s.Now)
	} else {
		out += "; no pack is left to swap in"
	}
	switch {
	case s.ChargeInVain:
		out += "; no pack may be charged as they are: bring charged packs by " + Clock(*s.GeneratorBy, s.Now)
	case s.ChargeW > 0:
		out += "; more packs or a larger charger must be here by " + Clock(*s.GeneratorBy, s.Now)
	default:
		out += "; a generator must be here by " + Clock(*s.GeneratorBy, s.Now)
	}
	return out
}

// Clock prints a time of day, with the weekday when it is not today's.
func Clock(t, now time.Time) string {
	t = t.In(now.Location())
	if t.YearDay() == now.YearDay() && t.Year() == now.Year() {
		return t.Format("15:04")
	}
	return t.Format("Mon 15:04")
}
