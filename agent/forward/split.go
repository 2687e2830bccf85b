package forward

import (
	"cmp"
	"context"
	"slices"
	"time"

	"candlemark/agent/retry"
)

const (
	// mostRequests are spent on one batch that is refused: enough to single out two
	// series among 150, or five samples among 2,000.
	mostRequests = 120
	// leastRequests are spent on one after a batch that was refused to the last sample.
	leastRequests = 2
	// holdRefused is how long a batch is held of which nothing is accepted.
	holdRefused = time.Hour
	holdEvery   = 5 * time.Minute
	// mostStrikes is how many batches in a row a series may spoil; then it is left
	// out for barFor, since each time costs some twenty requests.
	mostStrikes = 3
	barFor      = time.Hour
)

const outOfOrderRemedy = "the receiver refuses samples older than its newest: set out_of_order_time_window (Prometheus: under storage, tsdb) to more than the longest outage"

// tally is what became of a batch's samples.
type tally struct {
	sent, duplicates, refused, old int
	words                          error // of the last refusal
}

// deliver sends samples until the receiver has answered for each of them, and
// says so. Where it does not, ctx has ended, or nothing was sent and the samples
// may be stamped anew.
func (s *sender) deliver(ctx context.Context, samples []sample) bool {
	all := len(samples)
	samples = s.offend.without(samples, time.Now())
	if len(samples) == 0 {
		s.settle(tally{refused: all})
		return true
	}
	for {
		t, ok := s.halve(ctx, samples)
		if !ok {
			return false
		}
		t.refused += all - len(samples)
		if t.sent+t.duplicates > 0 {
			s.refusing, s.patience = time.Time{}, mostRequests
			s.settle(t)
			return true
		}
		// Nothing of it was accepted. That is no matter of a few bad samples.
		s.patience = leastRequests
		if s.refusing.IsZero() {
			s.refusing = time.Now()
		}
		if t.old > 0 || time.Since(s.refusing) >= holdRefused {
			s.settle(t)
			return true
		}
		s.pause(ctx, retry.Jittered(holdEvery), false)
		if ctx.Err() != nil {
			return false
		}
	}
}

// halve sends samples and, where they are refused, each half, until the offenders
// stand alone or patience is at its end.
func (s *sender) halve(ctx context.Context, samples []sample) (tally, bool) {
	var t tally
	bad := map[string]bool{}
	stack := [][]sample{samples}
	for requests := 1; len(stack) > 0; requests++ {
		piece := stack[len(stack)-1]
		stack = stack[:len(stack)-1]
		o, ok := s.try(ctx, piece, requests == 1)
		if !ok {
			return t, false
		}
		switch {
		case o.verdict == accepted:
			t.sent += len(piece)
			s.offend.accepted(piece)
			continue
		case len(piece) > 1 && requests < s.patience:
			first, second := cut(piece, o.verdict == outOfDate)
			stack = append(stack, second, first)
			continue
		case o.verdict == duplicate && len(piece) == 1:
			t.duplicates++
			continue
		case o.verdict == outOfDate:
			t.old += len(piece)
		default:
			t.refused += len(piece)
			if piece[0].series == piece[len(piece)-1].series { // pieces are sorted by series here
				bad[piece[0].series] = true
			}
		}
		t.words = o.err
	}
	if t.sent > 0 { // else it is the receiver
		s.offend.refused(bad, time.Now())
	}
	return t, true
}

// cut halves a piece: by time where its age is the fault, since that part of it
// is older; else by series, since a series that is refused is refused each time.
// Either way the samples of one series stay in order.
func cut(piece []sample, byTime bool) (first, second []sample) {
	sorted := slices.Clone(piece)
	bySeries := func(a, b sample) int { return cmp.Or(cmp.Compare(a.series, b.series), cmp.Compare(a.ms, b.ms)) }
	slices.SortFunc(sorted, bySeries)
	same := func(a, b sample) bool { return a.series == b.series }
	if byTime {
		slices.SortStableFunc(sorted, func(a, b sample) int { return cmp.Compare(a.ms, b.ms) })
		same = func(a, b sample) bool { return a.ms == b.ms }
	}
	// At the bound of a group that is nearest to the middle, or in the middle of the only one.
	at := len(sorted) / 2
	for off := range at {
		for _, i := range []int{at - off, at + off} {
			if i > 0 && i < len(sorted) && !same(sorted[i-1], sorted[i]) {
				return sorted[:i], sorted[i:]
			}
		}
	}
	return sorted[:at], sorted[at:]
}

// settle counts a batch.
func (s *sender) settle(t tally) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.st.Sent += uint64(t.sent)
	s.st.Duplicates += uint64(t.duplicates)
	s.st.Refused += uint64(t.refused + t.old)
	if t.sent > 0 {
		s.st.LastSent = time.Now()
	}
	if t.words != nil {
		s.st.LastRefusal = t.words.Error()
		if t.old > 0 {
			s.st.LastRefusal += "; " + outOfOrderRemedy
		}
	}
}

// offenders are series that spoiled the last batches they were in.
type offenders map[string]*strikes

type strikes struct {
	batches int
	until   time.Time // left out until then; zero while it is not
}

// without leaves out the samples of barred series.
func (o offenders) without(samples []sample, now time.Time) []sample {
	if len(o) == 0 {
		return samples
	}
	return slices.DeleteFunc(samples, func(s sample) bool {
		bad, ok := o[s.series]
		return ok && now.Before(bad.until)
	})
}

func (o offenders) accepted(piece []sample) {
	if len(o) == 0 {
		return
	}
	for _, s := range piece {
		delete(o, s.series)
	}
}

func (o offenders) refused(bad map[string]bool, now time.Time) {
	for series := range bad {
		if o[series] == nil {
			if len(o) >= mostSeries {
				clear(o) // names that come and go must not fill the memory
			}
			o[series] = &strikes{}
		}
		if o[series].batches++; o[series].batches >= mostStrikes {
			o[series].until = now.Add(barFor)
		}
	}
}
