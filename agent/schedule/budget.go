package schedule

import (
	"math"
	"time"
)

// Budget is the data that probes and forwarding may use together.
type Budget struct {
	PerDay, PerMonth int64   // bytes; 0 is no limit
	ForwardShare     float64 // of both, 0..1: kept for forwarding, the rest is the probes'
}

// noLimit is what is left where nothing bounds it.
const noLimit = math.MaxInt64

// part is how much of a limit a part may use, all told. Sending and catching up
// share theirs: what is sent late was not sent in time.
func (b Budget) part(limit int64, p Part) int64 {
	forward := int64(0)
	if b.ForwardShare > 0 {
		forward = min(int64(float64(limit)*min(b.ForwardShare, 1)), limit)
	}
	if p == Probing {
		return limit - forward
	}
	return forward
}

// left is what a part may still use of a limit.
func (b Budget) left(limit int64, used Bytes, p Part) int64 {
	if limit <= 0 {
		return noLimit
	}
	if p == Probing {
		return max(b.part(limit, p)-used.Probing, 0)
	}
	return max(b.part(limit, p)-sum(used.Sending, used.CatchingUp), 0)
}

// Left is what a part may still use now, of the day's budget and of the month's;
// limited is false where neither bounds it.
func (s *Schedule) Left(p Part) (bytes int64, limited bool) {
	b := s.config.Budget
	left := min(b.left(b.PerDay, s.days.now().Bytes, p), b.left(b.PerMonth, s.months.now().Bytes, p))
	return left, left != noLimit
}

// Used is what the present day and month have used.
func (s *Schedule) Used() (day, month Use) { return *s.days.now(), *s.months.now() }

// Spend counts data of a part.
func (s *Schedule) Spend(p Part, bytes int64) {
	s.days.now().add(p, bytes)
	s.months.now().add(p, bytes)
}

// room says whether a probe may cost so much now. A heavy one also leaves what the
// light ones need to the end of the day and of the month, so that a spent budget
// does not hide that the link is down.
func (s *Schedule) room(cost int64, heavy bool) bool {
	if cost <= 0 {
		return true
	}
	b := s.config.Budget
	for _, p := range []struct {
		limit int64
		used  Bytes
		left  float64 // hours
	}{
		{b.PerDay, s.days.now().Bytes, orWhole(s.in.DayLeft, dayLong).Hours()},
		{b.PerMonth, s.months.now().Bytes, orWhole(s.in.MonthLeft, monthLong).Hours()},
	} {
		left := b.left(p.limit, p.used, Probing)
		if heavy && left != noLimit {
			left -= int64(min(s.light()*p.left, math.MaxInt64/2))
		}
		if cost > left {
			return false
		}
	}
	return true
}

// orWhole is what is left of a period, all of it where that is not known.
func orWhole(left, whole time.Duration) time.Duration {
	if left <= 0 || left > whole {
		return whole
	}
	return left
}

// light is about what the light probes take, by their last runs, in bytes an hour.
func (s *Schedule) light() (bytesPerHour float64) {
	for _, e := range s.entries {
		if !e.item.heavy() {
			bytesPerHour += float64(e.cost) / (e.item.Every.Hours() * (1 - jitterShare))
		}
	}
	return bytesPerHour
}
