package stamp

import (
	"net/netip"
	"time"
)

// sessionKey tells sessions apart: RFC 8762 section 4 by addresses and ports (this
// side's are the socket's), RFC 8972 section 3 also by the SSID.
type sessionKey struct {
	from netip.AddrPort
	ssid uint16
}

// session is what a stateful reflector keeps.
type session struct {
	next uint32 // sequence number of the next reply
	last time.Time
}

// sessions is a table of bounded size. A session that has been idle for its time is
// forgotten; a new one is refused while the table is full of others that have not.
type sessions struct {
	most  int
	idle  time.Duration
	table map[sessionKey]*session
	swept time.Time
}

func newSessions(most int, idle time.Duration) *sessions {
	return &sessions{most: most, idle: idle, table: make(map[sessionKey]*session)}
}

// next is the sequence number for a reply in the session, ok false when there is
// no room for it.
func (s *sessions) next(key sessionKey, now time.Time) (seq uint32, ok bool) {
	known := s.table[key]
	if known == nil || now.Sub(known.last) >= s.idle {
		if known == nil && len(s.table) >= s.most {
			s.sweep(now)
			if len(s.table) >= s.most {
				return 0, false
			}
		}
		known = &session{}
		s.table[key] = known
	}
	seq = known.next
	known.next++
	known.last = now
	return seq, true
}

// sweep forgets idle sessions; it is made at most ten times in an idle time, so
// that a flood of new sessions does not make the table be searched for each.
func (s *sessions) sweep(now time.Time) {
	if now.Sub(s.swept) < s.idle/10 {
		return
	}
	s.swept = now
	for key, known := range s.table {
		if now.Sub(known.last) >= s.idle {
			delete(s.table, key)
		}
	}
}
