package reflector

import (
	"net"
	"sync"
	"time"
)

const (
	mostRuns    = 64 // kept; the oldest goes first
	mostSamples = 1000
	sampleEvery = 100 * time.Millisecond
)

// report is what the server saw of one run, for the side that could not.
type report struct {
	Received      int64   `json:"received_bytes"` // payload taken by the sink
	WireSent      int64   `json:"wire_sent_bytes"`
	Retransmitted int64   `json:"retransmitted_bytes"`
	WireKnown     bool    `json:"wire_known"`
	RTTs          []int64 `json:"rtts_us"` // smoothed round trips of the source's connections
}

// run gathers the transfers that carry one identifier. A nil run gathers nothing.
type run struct {
	mu   sync.Mutex
	rep  report
	last time.Time
}

func (r *run) received(n int64) {
	if r == nil {
		return
	}
	r.mu.Lock()
	r.rep.Received += n
	r.mu.Unlock()
}

// teller adds what the kernel tells of one connection to a run, bit by bit: when
// the far side has gone, it may already be asking.
type teller struct {
	conn net.Conn
	run  *run
	last tcpInfo
	ok   bool
}

func newTeller(conn net.Conn, run *run) *teller {
	t := &teller{conn: conn, run: run}
	t.last, t.ok = infoOf(conn)
	return t
}

func (t *teller) tell() {
	i, ok := infoOf(t.conn)
	if t.run == nil || !ok || !t.ok {
		return
	}
	t.run.mu.Lock()
	defer t.run.mu.Unlock()
	rep := &t.run.rep
	rep.WireSent += i.sent - t.last.sent
	rep.Retransmitted += i.retransmitted - t.last.retransmitted
	rep.WireKnown = true
	if len(rep.RTTs) < mostSamples && i.rtt > 0 {
		rep.RTTs = append(rep.RTTs, i.rtt.Microseconds())
	}
	t.last = i
}

type runs struct {
	mu    sync.Mutex
	table map[string]*run
}

func newRuns() *runs { return &runs{table: make(map[string]*run)} }

// of is the run of an identifier, nil when that is none.
func (r *runs) of(id string, now time.Time) *run {
	if len(id) < 8 || len(id) > 64 {
		return nil
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	known := r.table[id]
	if known == nil {
		if len(r.table) >= mostRuns {
			oldest := ""
			for id, k := range r.table {
				if oldest == "" || k.last.Before(r.table[oldest].last) {
					oldest = id
				}
			}
			delete(r.table, oldest)
		}
		known = &run{}
		r.table[id] = known
	}
	known.last = now
	return known
}

func (r *runs) report(id string) (report, bool) {
	r.mu.Lock()
	known := r.table[id]
	r.mu.Unlock()
	if known == nil {
		return report{}, false
	}
	known.mu.Lock()
	defer known.mu.Unlock()
	rep := known.rep
	rep.RTTs = append([]int64(nil), known.rep.RTTs...)
	return rep, true
}
