package retry

import (
	"net/http"
	"testing"
	"time"
)

// RFC 9110 section 10.2.3: a number of seconds or a date.
func TestAfter(t *testing.T) {
	now := time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)
	for _, tt := range []struct {
		name, after, date string
		want              time.Duration
	}{
		{"nothing", "", "", 0},
		{"seconds", "120", "", 2 * time.Minute},
		{"a day is too long", "86400", "", 10 * time.Minute},
		{"negative", "-3", "", 0},
		{"a date", "Wed, 25 Nov 2026 08:00:30 GMT", "", 30 * time.Second},
		{"a date that is past", "Wed, 25 Nov 2026 07:00:30 GMT", "", 0},
		{"a date by the server's clock", "Wed, 25 Nov 1976 08:00:30 GMT", "Thu, 25 Nov 1976 08:00:00 GMT", 30 * time.Second},
		{"rubbish", "soon", "", 0},
	} {
		h := http.Header{}
		h.Set("Retry-After", tt.after)
		h.Set("Date", tt.date)
		if got := After(h, now); got != tt.want {
			t.Errorf("%s: %v, want %v", tt.name, got, tt.want)
		}
	}
}

func TestJitteredIsGiveOrTakeAQuarter(t *testing.T) {
	least, most := time.Hour, time.Duration(0)
	for range 1000 {
		d := Jittered(time.Minute)
		least, most = min(least, d), max(most, d)
	}
	if least < 45*time.Second || least > 50*time.Second || most > 75*time.Second || most < 70*time.Second {
		t.Errorf("from %v to %v", least, most)
	}
}
