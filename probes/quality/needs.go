package quality

import (
	"fmt"
	"math"
)

// RuleOfThumb marks a need that has no open standard behind it.
const RuleOfThumb = "rule of thumb"

// Need is what a figure may be: people are content up to Preferred, and the use
// ends at Limit. Both are in the figure's unit and mean "at most", except for a
// rating or a rate, where they mean "at least".
type Need struct {
	Preferred, Limit float64
	Source           string
}

// RealTime are the needs of a use in which people talk to each other.
type RealTime struct {
	OneWayMs    Need    // mouth to ear
	EndsMs      float64 // the ends' own share of that, beside the jitter buffer
	VariationMs Need    // 95th percentile above the least delay
	LossRatio   Need    // 0..1
	Rating      Need    // E-model R, at least; a zero Limit means it is not judged
	BitS        Need    // of one user, each way, at least
}

// Transfer are the needs of a use that moves a piece of data and waits for it.
type Transfer struct {
	Bytes      float64 // of the piece, each way
	RoundTrips float64 // waited for before the data come: name, connection, keys, request
	Seconds    Need    // until it is there
	LossRatio  Need
	UserBitS   Need // of one active user, each way, at least; a zero Limit takes Bytes over Seconds
}

// Needs are the stated needs of the uses that Judge knows. Every one can be changed.
type Needs struct {
	Voice, VideoMeeting      RealTime
	FormsMessaging, FileMove Transfer
	// UsableShare of a measured rate is what users may fill together; the rest is for
	// what the measurement did not see.
	UsableShare float64
}

// DefaultNeeds gives needs from open recommendations where there are any. There is
// none for the rate of a modern video meeting; G.1010's 384 kbit/s is of 2001. Those
// marked as rules of thumb beside a recommendation's name were not read in it: G.1010's
// as reproduced in a maker's manual, Y.1541's class 0 and the categories of G.109 from
// memory.
func DefaultNeeds() Needs {
	const (
		g1010 = RuleOfThumb + " after ITU-T G.1010"
		y1541 = RuleOfThumb + " after ITU-T Y.1541 class 0"
	)
	delay := Need{150, 400, "ITU-T G.114, G.1010"}
	return Needs{
		Voice: RealTime{
			OneWayMs: delay, EndsMs: 20, VariationMs: Need{50, 100, y1541 + "; limit: " + RuleOfThumb},
			LossRatio: Need{0.01, 0.03, g1010 + "; preferred: " + RuleOfThumb},
			Rating:    Need{80, 70, RuleOfThumb + " after the speech quality categories of ITU-T G.109"},
			BitS:      Need{100e3, 100e3, RuleOfThumb + "; G.711 is 80 kbit/s at the IP layer"},
		},
		VideoMeeting: RealTime{
			OneWayMs: delay, EndsMs: 60, VariationMs: Need{50, 100, y1541 + "; limit: " + RuleOfThumb},
			LossRatio: Need{0.01, 0.02, g1010 + " (videophone); limit: " + RuleOfThumb},
			BitS:      Need{2e6, 1e6, RuleOfThumb},
		},
		FormsMessaging: Transfer{
			Bytes: 10e3, RoundTrips: 4, Seconds: Need{2, 4, g1010 + " (page of about 10 kB)"},
			LossRatio: Need{0.01, 0.05, RuleOfThumb}, UserBitS: Need{100e3, 50e3, RuleOfThumb},
		},
		FileMove: Transfer{
			Bytes: 10e6, RoundTrips: 4, Seconds: Need{15, 60, g1010 + " (bulk data, up to 10 MB)"},
			LossRatio: Need{0.01, 0.05, RuleOfThumb},
		},
		UsableShare: 0.75,
	}
}

// Check refuses needs that no figure could be judged by.
func (n Needs) Check() error {
	if !(n.UsableShare > 0 && n.UsableShare <= 1) {
		return fmt.Errorf("usable share %v is not above 0 and up to 1", n.UsableShare)
	}
	atMost := func(name string, need Need) error {
		if !(need.Preferred >= 0 && need.Limit >= need.Preferred) || math.IsInf(need.Limit, 1) {
			return fmt.Errorf("%s: preferred %v and limit %v are not 0 <= preferred <= limit", name, need.Preferred, need.Limit)
		}
		return nil
	}
	atLeast := func(name string, need Need) error {
		return atMost(name, Need{Preferred: need.Limit, Limit: need.Preferred})
	}
	for name, u := range map[string]RealTime{"voice": n.Voice, "video meeting": n.VideoMeeting} {
		for _, err := range []error{
			atMost(name+": one-way delay", u.OneWayMs), atMost(name+": delay variation", u.VariationMs),
			atMost(name+": loss", u.LossRatio), atLeast(name+": rating", u.Rating), atLeast(name+": rate", u.BitS),
			atMost(name+": delay of the ends", Need{Preferred: u.EndsMs, Limit: u.EndsMs}),
		} {
			if err != nil {
				return err
			}
		}
		if u.BitS.Limit == 0 {
			return fmt.Errorf("%s: rate of one user is 0", name)
		}
	}
	for name, u := range map[string]Transfer{"forms and messaging": n.FormsMessaging, "file transfer": n.FileMove} {
		for _, err := range []error{
			atMost(name+": time", u.Seconds), atMost(name+": loss", u.LossRatio), atLeast(name+": rate", u.UserBitS),
			atMost(name+": bytes", Need{Preferred: u.Bytes, Limit: u.Bytes}), atMost(name+": round trips", Need{Preferred: u.RoundTrips, Limit: u.RoundTrips}),
		} {
			if err != nil {
				return err
			}
		}
		if u.Bytes == 0 || u.Seconds.Limit == 0 {
			return fmt.Errorf("%s: no bytes or no time", name)
		}
	}
	return nil
}
