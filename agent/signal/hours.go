package signal

import "time"

// Hours are the quiet ones of each day, From inclusive and To exclusive, counted from
// midnight by the clock on the wall. They may pass midnight. The zero value is none.
type Hours struct{ From, To time.Duration }

// Include says whether t, in its own location, falls within.
func (h Hours) Include(t time.Time) bool {
	hour, minute, second := t.Clock()
	d := time.Duration(hour)*time.Hour + time.Duration(minute)*time.Minute + time.Duration(second)*time.Second
	if h.From <= h.To {
		return h.From <= d && d < h.To
	}
	return h.From <= d || d < h.To
}
