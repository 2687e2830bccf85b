package stamp

import (
	"time"

	"candlemark/probes"
	"candlemark/probes/latency"
)

// stats describes the burst.
func (b *burst) stats() probes.LatencyStats {
	b.mu.Lock()
	defer b.mu.Unlock()
	s := latency.Summarize(Method, b.roundTrips())
	s.Timeout = b.cfg.Timeout
	if s.Lost > 0 && b.cause != nil {
		s.LossCause = b.cause.Error()
	}
	forth, back := b.losses()
	b.vary(&forth, &back)
	s.Forth, s.Back = &forth, &back
	return s
}

func (b *burst) roundTrips() []latency.Outcome {
	all := make([]latency.Outcome, len(b.sent))
	for i, s := range b.sent {
		all[i] = latency.Outcome{Sent: s.at.Sub(b.sent[0].at), Answered: s.answered}
		if s.answered {
			all[i].RTT = s.roundTrip()
		}
	}
	return all
}

// roundTrip is the time on the wire: without what the reflector held the packet,
// as far as its timestamps make sense.
func (s sent) roundTrip() time.Duration {
	whole := s.arrived.Sub(s.at)
	if held := between(s.reply.received, s.reply.stamp, s.reply.error); held > 0 && held <= whole {
		return whole - held
	}
	return whole
}

// losses lays the losses to the directions. What cannot be told stays unknown.
func (b *burst) losses() (forth, back probes.Direction) {
	n, answered, late := len(b.sent), 0, false
	for _, s := range b.sent {
		if s.answered {
			answered++
		}
		late = late || s.late // lost by the clock, but on no way
	}
	if answered == n {
		forth = probes.Direction{Sent: n, LossKnown: true}
		return forth, forth
	}
	arrived, ok := b.arrivals(answered)
	if !ok || late {
		return forth, back
	}
	return probes.Direction{Sent: n, Lost: n - arrived, LossKnown: true},
		probes.Direction{Sent: arrived, Lost: arrived - answered, LossKnown: true}
}

// arrivals is how many packets of the burst the reflector answered, by its count.
func (b *burst) arrivals(answered int) (n int, ok bool) {
	// Of the burst itself: the reflector had answered low packets when it answered
	// the last one that came back, and of those sent after that one at most all.
	low, after := 0, len(b.sent)
	for i, s := range b.sent {
		if s.answered {
			low = max(low, int(int64(s.reply.seq)+1))
			after = len(b.sent) - 1 - i
		}
	}
	high := low + after
	for i, s := range b.closers {
		if !s.answered {
			continue
		}
		count := int(int64(s.reply.seq))
		if count == i {
			return 0, false // it repeats our numbers, as a stateless reflector does
		}
		// Of the i tries before this one, any may have been counted.
		low, high = max(low, count-i), min(high, count)
		break
	}
	if len(b.closers) == 0 || !b.closers[len(b.closers)-1].answered {
		return 0, false
	}
	if low != high || low < answered || low > len(b.sent) {
		return 0, false
	}
	return low, true
}

// vary adds the delay variation by direction. Transits have the unknown difference
// of two clocks in them, which is the same for all and cancels in each figure.
func (b *burst) vary(forth, back *probes.Direction) {
	there, here := make([]latency.Outcome, len(b.sent)), make([]latency.Outcome, len(b.sent))
	var first *sent
	for i := range b.sent {
		s := &b.sent[i]
		if !s.answered {
			continue
		}
		if first == nil {
			first = s
		}
		format := s.reply.error
		if format&truncatedPTP != first.reply.error&truncatedPTP {
			return // two formats in one session: nothing to subtract
		}
		turned := between(first.reply.stamp, s.reply.stamp, format)
		there[i] = latency.Outcome{
			Sent:     s.at.Sub(first.at),
			RTT:      between(first.reply.received, s.reply.received, format) - s.at.Sub(first.at),
			Answered: true,
		}
		here[i] = latency.Outcome{
			Sent:     turned,
			RTT:      s.arrived.Sub(first.arrived) - turned,
			Answered: true,
		}
		if there[i].RTT.Abs() > b.cfg.Timeout || here[i].RTT.Abs() > b.cfg.Timeout {
			return // packets answered in time do not vary by more: the timestamps are no use
		}
	}
	summarize(forth, there)
	summarize(back, here)
}

func summarize(d *probes.Direction, transits []latency.Outcome) {
	s := latency.Summarize(Method, transits)
	d.Jitter, d.PDVP95, d.VariationKnown = s.Jitter, s.PDVP95, s.VariationKnown
	d.IPDVMeanAbs, d.IPDVKnown = s.IPDVMeanAbs, s.IPDVKnown
}
