package plan

import (
	"math"
	"slices"
	"time"
)

// run is one course of events.
type run struct {
	up    time.Time
	swaps []Swap
}

// least is the charge with which a pack is worth carrying to the relay.
const least = 0.05

// simulate follows the packs until a feed has none left, or Horizon; factor
// scales what each gives. A pack is swapped Ahead of its end while another lies ready
// that lasts longer than that; the last one runs to its end. Between events everything
// is linear in time.
func (d Duty) simulate(factor float64) run {
	packs := slices.Clone(d.Packs)
	left := make([]float64, len(packs)) // Wh
	for i, p := range packs {
		left[i] = p.UsableWh * p.Charge * factor
	}
	out := run{up: d.Now}
	inUse := slices.Repeat([]int{-1}, len(d.Draws))
	for f, x := range d.Draws {
		inUse[f] = slices.IndexFunc(packs, func(p OnHand) bool { return p.Feed == x.Feed && !p.OverDischarged() })
		if inUse[f] < 0 && !d.swap(f, packs, left, inUse, &out, factor) {
			return out
		}
	}
	elapsed := 0.0 // h
	for range maxEvents {
		if elapsed >= Horizon.Hours()*(1-1e-12) {
			break
		}
		step := Horizon.Hours() - elapsed
		for f, x := range d.Draws {
			ends := left[inUse[f]] / x.LoadW
			if d.ready(f, packs, left, inUse, factor) >= 0 {
				ends = math.Max(ends-d.Ahead.Hours(), 0)
			}
			step = math.Min(step, ends)
		}
		charging, rate := -1, 0.0
		if d.Charger.PowerW > 0 {
			switch from := d.Charger.From.Sub(d.Now).Hours(); {
			case !d.Charger.From.IsZero() && from > elapsed+1e-9:
				step = math.Min(step, from-elapsed)
			default:
				if charging = nextToCharge(packs, left, inUse, factor); charging >= 0 {
					rate = d.Charger.PowerW * chargeEfficiency
					step = math.Min(step, (packs[charging].UsableWh*factor-left[charging])/rate)
					for f := range d.Draws { // from here on it may be waited for no longer
						if more := d.worth(f, packs[charging], factor)*(1+1e-9) - left[charging]; more > 0 {
							step = math.Min(step, more/rate)
						}
					}
				}
			}
		}
		elapsed += step
		out.up = d.Now.Add(hours(elapsed))
		for f, x := range d.Draws {
			left[inUse[f]] = math.Max(0, left[inUse[f]]-x.LoadW*step)
		}
		if charging >= 0 {
			left[charging] += rate * step
		}
		for f, x := range d.Draws {
			switch lasts := left[inUse[f]] / x.LoadW; {
			case lasts <= d.Ahead.Hours()+1e-6 && d.swap(f, packs, left, inUse, &out, factor):
			case lasts <= 1e-6:
				return out
			}
		}
	}
	return out
}

// maxEvents bounds a course of events.
const maxEvents = 20000

// nextToCharge is the pack to charge: of those that may be, the one nearest to
// full, which gives a whole pack soonest; -1 for none.
func nextToCharge(packs []OnHand, left []float64, inUse []int, factor float64) int {
	best := -1
	for i, p := range packs {
		ok, _ := p.mayCharge()
		full := p.UsableWh * factor
		if !ok || slices.Contains(inUse, i) || left[i] >= full*(1-1e-6) {
			continue
		}
		if best < 0 || full-left[i] < packs[best].UsableWh*factor-left[best] {
			best = i
		}
	}
	return best
}

// worth is the charge, Wh, from which on a pack is worth carrying to feed f: it lasts
// longer there than packs are swapped ahead.
func (d Duty) worth(f int, p OnHand, factor float64) float64 {
	return math.Max(least*p.UsableWh*factor, d.Draws[f].LoadW*(d.Ahead.Hours()+1e-5))
}

// ready is the fullest pack that lies ready for feed f, of equals the least used; -1
// for none.
func (d Duty) ready(f int, packs []OnHand, left []float64, inUse []int, factor float64) int {
	best := -1
	for i, p := range packs {
		if slices.Contains(inUse, i) || p.OverDischarged() || left[i] < d.worth(f, p, factor) || elsewhere(p, d.Draws, inUse) {
			continue
		}
		if best < 0 || left[i] > left[best]*(1+1e-9) || left[i] > left[best]*(1-1e-9) && p.Uses < packs[best].Uses {
			best = i
		}
	}
	return best
}

// swap gives feed f the pack that lies ready, and says whether there is one.
func (d Duty) swap(f int, packs []OnHand, left []float64, inUse []int, out *run, factor float64) bool {
	best := d.ready(f, packs, left, inUse, factor)
	if best < 0 {
		return false
	}
	s := Swap{Feed: d.Draws[f].Feed, In: packs[best].Name, Expected: out.up}
	if inUse[f] >= 0 {
		s.Out = packs[inUse[f]].Name
	}
	packs[best].Uses++
	inUse[f] = best
	out.swaps = append(out.swaps, s)
	return true
}

// elsewhere says whether the pack still waits to be taken up as the one in use on
// a feed that has not been looked at yet.
func elsewhere(p OnHand, draws []Draw, inUse []int) bool {
	for f, x := range draws {
		if x.Feed == p.Feed && p.Feed != "" && inUse[f] < 0 {
			return true
		}
	}
	return false
}
