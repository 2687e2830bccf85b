// Package retry holds what every sender to a server that may be unwell needs: a
// jittered pause, and the pause the server asks for. Back-off with jitter is
// common practice, no source.
package retry

import (
	"math/rand/v2"
	"net/http"
	"strconv"
	"time"
)

const mostAfter = 10 * time.Minute

// Jittered is d give or take a quarter, so that senders do not come in step.
func Jittered(d time.Duration) time.Duration {
	return time.Duration(float64(d) * (0.75 + rand.Float64()/2))
}

// After reads Retry-After in both its forms (RFC 9110 section 10.2.3), 0 where
// there is none, at most 10 min.
func After(h http.Header, now time.Time) time.Duration {
	text := h.Get("Retry-After")
	if s, err := strconv.ParseUint(text, 10, 32); err == nil {
		return min(time.Duration(s)*time.Second, mostAfter)
	}
	at, err := http.ParseTime(text)
	if err != nil {
		return 0
	}
	// The date is of the server's clock, which this board's may not agree with.
	if date, err := http.ParseTime(h.Get("Date")); err == nil {
		now = date
	}
	return min(max(at.Sub(now), 0), mostAfter)
}
