package stamp

import "time"

// ntpOffset is from the NTP era 0, 1900, to 1970, in seconds (RFC 5905 section 6).
const ntpOffset = 2_208_988_800

// clock gives timestamps that run evenly: the wall clock is read once, and what
// has gone by since comes from the monotonic clock. A clock that is set while a
// session runs would else show as delay.
type clock struct{ base time.Time }

func newClock() clock { return clock{time.Now()} }

// ntp is t in the 64-bit format of RFC 5905 section 6.
func (c clock) ntp(t time.Time) uint64 {
	return ntp(c.base.UnixNano() + int64(t.Sub(c.base)))
}

func ntp(unixNano int64) uint64 {
	s, ns := unixNano/1e9, unixNano%1e9
	if ns < 0 { // before 1970, on a board whose clock is far off
		s, ns = s-1, ns+1e9
	}
	return uint64(uint32(s+ntpOffset))<<32 | uint64(ns)<<32/1e9
}

// between is b - a of two timestamps in the same format. Only differences are
// used, so the era and the offset between two clocks do not matter.
func between(a, b uint64, format errorEstimate) time.Duration {
	return inNano(b, format) - inNano(a, format)
}

// inNano is a timestamp in nanoseconds since its own epoch.
func inNano(t uint64, format errorEstimate) time.Duration {
	s, f := t>>32, t&0xffffffff
	if format&truncatedPTP == 0 {
		f = f * 1e9 >> 32
	}
	return time.Duration(s)*time.Second + time.Duration(f)
}
