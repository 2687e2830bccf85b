package plan

// Place is a radio path whose loss the plan is asked for.
type Place struct {
	Name         string
	FreqHz       float64
	DistanceM    float64
	Indoor       Indoor // "" is free space
	Building     Building
	ElevationDeg float64
	Walls        []Wall
	Share        float64 // of places whose entry loss is asked for besides the usual ones, 0..1; 0 is none
	Terminal     bool    // the path is that of the satellite terminal
}

// Indoor is a model of a path within a building.
type Indoor string

const (
	OfficeInSight Indoor = "office-in-sight"
	OfficeNoSight Indoor = "office-no-sight"
	OneFloorApart Indoor = "one-floor-apart"
)

// The older office model's exponent times ten, and the loss of one floor, dB
// (constants from public code).
const officeN, oneFloorDB = 30, 14

func (p Place) indoorDB() (float64, bool) {
	switch p.Indoor {
	case OfficeInSight, OfficeNoSight:
		return IndoorOfficeLossDB(p.Indoor == OfficeInSight, p.FreqHz, p.DistanceM), true
	case OneFloorApart:
		return IndoorPowerLawLossDB(p.FreqHz, p.DistanceM, officeN, oneFloorDB), true
	}
	return 0, false
}

// Wall is one slab on the path.
type Wall struct {
	Material   string
	ThicknessM float64
	Count      int
}

// Relay compares a relay with going without, by rates that were measured or are
// hoped for, bit/s.
type Relay struct {
	Name                            string
	DirectBPS, BackhaulBPS, UserBPS float64
	Backhaul                        Backhaul
}

// PlaceResult is a guide, not a promise.
type PlaceResult struct {
	Name        string   `json:"name"`
	FreqHz      float64  `json:"freq_hz"`
	DistanceM   float64  `json:"distance_m"`
	FreeSpaceDB float64  `json:"free_space_db"`
	IndoorDB    *float64 `json:"indoor_db"`   // takes the place of free space; null outdoors
	EntryDB     *float64 `json:"entry_db"`    // median; null without a building
	EntryLowDB  *float64 `json:"entry_10_db"` // one place in ten loses less
	EntryHighDB *float64 `json:"entry_90_db"` // one place in ten loses more
	EntryAtDB   *float64 `json:"entry_at_db"` // what Share of places do not exceed; null where not asked
	Share       float64  `json:"entry_at_ratio"`
	WallsDB     *float64 `json:"walls_db"`     // slab formula; null without walls
	MedianDB    float64  `json:"median_db"`    // in all, entry or walls
	WorseDB     float64  `json:"one_in_10_db"` // in all with the 90 % entry loss
	Advice      string   `json:"advice"`
}

// RelayResult says what a relay would carry.
type RelayResult struct {
	Name      string  `json:"name"`
	DirectBPS float64 `json:"direct_bps"`
	RelayBPS  float64 `json:"relay_bps"`
	Helps     bool    `json:"helps"`
	Advice    string  `json:"advice"`
}

// Loss works out the path.
func (p Place) Loss() PlaceResult {
	r := PlaceResult{Name: p.Name, FreqHz: p.FreqHz, DistanceM: p.DistanceM, FreeSpaceDB: FreeSpaceLossDB(p.FreqHz, p.DistanceM)}
	r.MedianDB, r.WorseDB = r.FreeSpaceDB, r.FreeSpaceDB
	if db, ok := p.indoorDB(); ok {
		r.IndoorDB, r.MedianDB, r.WorseDB = &db, db, db
	}
	if mid, ok := EntryLossDB(p.Building, p.FreqHz, 0.5, p.ElevationDeg); ok {
		low, _ := EntryLossDB(p.Building, p.FreqHz, 0.1, p.ElevationDeg)
		high, _ := EntryLossDB(p.Building, p.FreqHz, 0.9, p.ElevationDeg)
		r.EntryDB, r.EntryLowDB, r.EntryHighDB = &mid, &low, &high
		if at, ok := EntryLossDB(p.Building, p.FreqHz, p.Share, p.ElevationDeg); ok {
			r.EntryAtDB, r.Share = &at, p.Share
		}
		r.MedianDB += mid
		r.WorseDB += high
	}
	if len(p.Walls) > 0 {
		sum := 0.0
		for _, w := range p.Walls {
			if m, ok := MaterialOf(w.Material); ok {
				sum += float64(w.Count) * SlabLossDB(m, w.ThicknessM, p.FreqHz)
			}
		}
		r.WallsDB = &sum
		r.MedianDB += sum
		r.WorseDB += sum
	}
	switch {
	case p.Terminal && r.EntryDB != nil:
		r.Advice = sprintf("The walls would cost a terminal %.0f dB in the median and %.0f dB in one place of ten. A terminal has only a few dB to spare: put it under open sky, not at a window.", *r.EntryDB, *r.EntryHighDB)
	case p.Terminal:
		r.Advice = "Keep this path clear: a terminal has only a few dB to spare, and one wall costs more."
	case r.EntryDB != nil:
		r.Advice = sprintf("The building costs %.0f dB in the median, but %.0f dB in one place of ten: measure at the seat. If you can, bring the signal in by cable.", *r.EntryDB, *r.EntryHighDB)
	case r.WallsDB != nil:
		r.Advice = "Walls with metal (foil, mesh, coated glass, lift shafts, tanks) count as blocked, whatever this figure says."
	case r.IndoorDB != nil:
		r.Advice = "Walls and people shift this by 10 dB either way. Halving the distance gains about 9 dB."
	default:
		r.Advice = "Free space only. Each halving of the distance gains 6 dB, indoors about 9 dB."
	}
	return r
}

// Compare works out whether the relay helps.
func (r Relay) Compare() RelayResult {
	out := RelayResult{Name: r.Name, DirectBPS: r.DirectBPS}
	how := "takes turns with the users on one channel"
	switch r.Backhaul {
	case BackhaulCable, BackhaulWireless:
		out.RelayBPS = min(r.BackhaulBPS, r.UserBPS)
		how = "has a " + string(r.Backhaul) + " backhaul of its own"
	default:
		out.RelayBPS = SharedAirtime(r.BackhaulBPS, r.UserBPS)
	}
	out.Helps = out.RelayBPS > r.DirectBPS
	gain := sprintf("%s Mbit/s against %s direct", number(out.RelayBPS/1e6), number(r.DirectBPS/1e6))
	if out.Helps {
		out.Advice = sprintf("The relay helps: it %s and carries %s.", how, gain)
	} else {
		out.Advice = sprintf("The relay does not help here: it %s and carries %s.", how, gain)
	}
	if wired := r.UserBPS; r.Backhaul != BackhaulCable && wired > 1.2*out.RelayBPS {
		out.Advice += sprintf(" With a cable as backhaul it would carry up to %s Mbit/s.", number(wired/1e6))
	}
	return out
}

// PlacementGuide is what holds whatever the figures.
func PlacementGuide() []string {
	return []string{
		"Terminal: open sky, clear of trees and roof edges. Glass and walls cost more than it has to spare.",
		"Relay: where its own backhaul is still strong, near the entry side, not in the middle of the need.",
		"Backhaul by cable beats radio; a radio that serves users and backhaul on one channel halves both.",
	}
}
