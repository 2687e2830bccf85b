package reflector

import (
	"context"
	"slices"
	"time"

	"candlemark/probes/metered"
)

// watch counts slots until the transfer has to stop, and gives them with what they
// tell.
func (l *load) watch(outer, ctx context.Context, ended <-chan struct{}, work *working) (slots []float64, s steadiness) {
	tick := time.NewTicker(slotTime)
	defer tick.Stop()
	begun := time.Now()
	var grid grid
	var done <-chan struct{}
	for {
		select {
		case <-tick.C:
		case <-done:
			l.cancel(errKnown)
			return slots, s
		case <-ended:
			l.cancel(errEnded)
			return slots, s
		case <-ctx.Done():
			return slots, s
		}
		total, rtt := l.progress()
		slots = grid.add(slots, time.Since(begun), float64(total))
		judged, ok := judgeSlots(begin(slots))
		if !ok {
			continue
		}
		s = judged
		rtt = max(rtt, l.attempt.base)
		known := !l.cfg.Fixed && s.known(rtt)
		dear := !l.cfg.Fixed && s.dear(begin(slots), rtt)
		switch {
		case known && work == nil:
			l.cancel(errKnown)
			return slots, s
		case dear && work == nil:
			l.cancel(errCeiling)
			return slots, s
		case work != nil && done == nil && (known || dear || time.Since(begun) >= l.cfg.Deadline):
			done = work.start(outer, s.mean*l.unit()*8/slotTime.Seconds())
		}
	}
}

// grid cuts a running total into slots of equal time, whenever it is looked at: a
// process that is held up looks late, and between two looks all is taken to be even.
type grid struct {
	at          time.Duration // of the last look
	total, edge float64       // then, and at the end of the last slot
	next        time.Duration // end of the slot that is open
}

func (g *grid) add(slots []float64, now time.Duration, total float64) []float64 {
	if g.next == 0 {
		g.next = slotTime
	}
	for ; g.next <= now; g.next += slotTime {
		edge := g.total + (total-g.total)*float64(g.next-g.at)/float64(now-g.at)
		slots = append(slots, edge-g.edge)
		g.edge = edge
	}
	g.at, g.total = now, total
	return slots
}

// begin leaves out the slots before the first byte.
func begin(slots []float64) []float64 {
	for i, v := range slots {
		if v > 0 {
			return slots[i:]
		}
	}
	return nil
}

// progress is how much has crossed so far, in units, and the round trip under load.
//
// The units are segments in the order of their coming, where the kernel counts
// them: those that arrived, down, and those that the far side has confirmed (also
// out of order), up. Bytes are handed over in order, so after each loss none come
// and then many at once, which is no change of the link's rate.
func (l *load) progress() (units int64, rtt time.Duration) {
	info, ok := l.wire.info()
	bytes := info.received
	units, rtt = info.arrived, info.receiverRTT
	if l.way == up {
		bytes, units, rtt = info.acked, info.delivered, info.rtt
	}
	if rtt > 0 {
		l.rttSum += rtt
		l.rttN++
	}
	if l.way == up && info.sent >= l.wire.Limit() {
		l.cancel(metered.ErrBudget) // retransmissions also cross the link
	}
	if !ok {
		l.perUnit = []float64{1}
		return l.carried.Load(), rtt
	}
	if units > 0 {
		l.perUnit = append(l.perUnit, float64(bytes)/float64(units))
		l.perUnit = l.perUnit[max(0, len(l.perUnit)-unitSlots):]
	}
	return units, rtt
}

// unit is the payload bytes of a unit. Segments that came twice make it smaller for
// good, and rightly; bytes that wait for a lost one make it smaller for a moment,
// which the greatest of the last slots leaves out.
func (l *load) unit() float64 {
	if len(l.perUnit) == 0 {
		return 0
	}
	return slices.Max(l.perUnit)
}

// rough is for transfers too short to judge: the second half, without an interval.
func rough(slots []float64) steadiness {
	s := steadiness{from: len(slots) / 2}
	s.measured = len(slots) - s.from
	for _, v := range slots[s.from:] {
		s.mean += v / float64(s.measured)
	}
	return s
}

// silence is the number of empty slots at the end.
func silence(slots []float64) (n int) {
	for n < len(slots) && slots[len(slots)-1-n] == 0 {
		n++
	}
	return n
}
