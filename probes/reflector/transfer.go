package reflector

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"candlemark/probes"
	"candlemark/probes/metered"
	"candlemark/probes/quality"
)

type direction int

const (
	down direction = iota
	up
)

// Why a transfer stopped.
const (
	stopKnown    = "known"
	stopCeiling  = "byte_ceiling"
	stopBudget   = "byte_budget"
	stopDeadline = "deadline"
	stopEnded    = "source_ended"
)

const (
	shortestBody  = 64 << 10 // test data are longer than a page
	failurePause  = 200 * time.Millisecond
	failuresInRow = 5
	unitSlots     = 20
	leastFigure   = 6 // slots: a transfer over sooner has no figure
	reportTimeout = 3 * time.Second
)

// load is one transfer under way.
type load struct {
	*phase
	way     direction
	id      string
	noise   []byte
	carried atomic.Int64 // payload that arrived, down

	mu         sync.Mutex
	congestion string
	last       error // the last failure of a stream

	rttSum  time.Duration // of watch alone, as the next
	rttN    int
	perUnit []float64
}

// transfer loads one direction until its figure is known or a bound is met.
func (a *attempt) transfer(ctx context.Context, way direction, budget int64) (*probes.Transfer, error) {
	id := fmt.Sprintf("%s-%d", a.id, way)
	limit := a.cfg.Deadline
	if a.cfg.Working {
		limit += a.cfg.WorkingFor + time.Second // the load goes on once the figure is known
	}
	if a.cfg.Working { // what it asks and sends crosses the link besides
		budget = max(int64(float64(budget)*(1-quality.ProbeCapacityShare))-a.busyBytes, 0)
	}
	inner, ph := a.begin(ctx, limit, budget)
	l := &load{phase: ph, way: way, id: id}
	if way == up {
		l.noise = make([]byte, piece)
		_, _ = rand.Read(l.noise) // never fails
	}
	begun := time.Now()
	var streams sync.WaitGroup
	ended := make(chan struct{})
	for range a.cfg.Streams {
		streams.Go(func() { l.stream(inner, budget/int64(a.cfg.Streams)) })
	}
	go func() { streams.Wait(); close(ended) }()
	var work *working
	if a.cfg.Working {
		work = a.newWorking(l)
	}
	slots, steady := l.watch(ctx, inner, ended, work)
	if a.record != nil {
		a.record(begin(slots), l.unit())
	}
	info, infoKnown := ph.wire.info()
	own := ph.wire.congestionInForce()
	cause := context.Cause(inner)
	used := withHeaders(ph.end())
	<-ended
	var busy *probes.LatencyStats
	var delays *probes.WorkingDelays
	if work != nil {
		busy, delays = work.finish(errors.Is(cause, errKnown))
		used += work.bytes
	}
	a.spent += used
	if ctx.Err() != nil {
		return nil, fmt.Errorf("interrupted: %w", context.Cause(ctx))
	}
	t := &probes.Transfer{SpentBytes: used, Elapsed: time.Since(begun), Streams: a.cfg.Streams, Loaded: busy, Working: delays}
	if err := l.figure(t, begun, slots, steady, cause); err != nil {
		return nil, err
	}
	if a.cfg.Working && delays == nil {
		t.LoadedWhy = "the load was over before it was measured (" + t.StoppedBy + ")"
	}
	rep, reported := a.ask(ctx, id)
	// What was under way when the transfer was cut also crossed the link.
	if sent := withHeaders(max(info.sent, rep.WireSent)); sent > t.SpentBytes {
		a.spent += sent - t.SpentBytes
		t.SpentBytes = sent
	}
	if way == up {
		t.Congestion = own
		if err := believable(rep, reported, info.acked); err != nil {
			return nil, err
		}
	} else {
		t.Congestion = l.congestion
	}
	if delays != nil && way == down {
		for _, us := range rep.RTTs {
			delays.Loaded = append(delays.Loaded, time.Duration(us)*time.Microsecond)
		}
	}
	a.tcpFigures(t, l, info, infoKnown, rep, reported)
	return t, nil
}

// believable compares what an upload's far side confirmed with what the reflector
// says it took: something on the way may have confirmed and thrown away.
func believable(rep report, reported bool, acked int64) error {
	if reported && acked > 1<<20 && float64(rep.Received) < 0.5*float64(acked) {
		return fmt.Errorf("%d bytes were confirmed on the way, but the reflector took %d", acked, rep.Received)
	}
	return nil
}

// stream keeps one connection loaded with its share of the bytes.
func (l *load) stream(ctx context.Context, share int64) {
	inRow := 0
	for share > 0 && ctx.Err() == nil {
		n, err := int64(0), error(nil)
		if l.way == down {
			n, err = l.get(ctx, l.id, share, func(k int) { l.carried.Add(int64(k)) }, l.stated)
			if err == nil && n < shortestBody && n < share {
				l.carried.Add(-n) // a page, not test data
				err = fmt.Errorf("%d bytes instead of test data", n)
			}
		} else {
			n, err = l.post(ctx, l.id, share, l.noise)
		}
		share -= n
		if err == nil {
			inRow = 0
			continue
		}
		if ctx.Err() != nil {
			return
		}
		l.mu.Lock()
		l.last = err
		l.mu.Unlock()
		if inRow++; inRow == failuresInRow {
			l.cancel(fmt.Errorf("%d requests in a row went wrong: %w", inRow, err))
			return
		}
		pause := time.NewTimer(failurePause)
		select {
		case <-pause.C:
		case <-ctx.Done():
			pause.Stop()
		}
	}
}

func (l *load) stated(congestion string) {
	l.mu.Lock()
	l.congestion = congestion
	l.mu.Unlock()
}

// figure fills in the rate.
func (l *load) figure(t *probes.Transfer, begun time.Time, slots []float64, s steadiness, cause error) error {
	empty := len(slots)
	slots = begin(slots)
	empty -= len(slots)
	if l.way == down && l.carried.Load() == 0 {
		slots = nil // what came was no test data
	}
	l.mu.Lock()
	last := l.last
	l.mu.Unlock()
	known := errors.Is(cause, errKnown) || errors.Is(cause, errCeiling) || errors.Is(cause, metered.ErrBudget) || errors.Is(cause, errDeadline) || errors.Is(cause, errEnded)
	if last == nil {
		last = errors.New("no test data")
	}
	switch {
	case !known:
		return cause // too many failures
	case len(slots) == 0 && errors.Is(cause, errDeadline):
		return fmt.Errorf("%w within %v", last, l.limit)
	case len(slots) == 0:
		return last
	case len(slots) < leastFigure:
		return fmt.Errorf("a transfer of %v is too short to measure", time.Duration(len(slots))*slotTime)
	}
	if silent := silence(slots); silent >= 10 && silent > len(slots)/2 {
		return fmt.Errorf("stalled: nothing in the last %v", time.Duration(silent)*slotTime)
	}
	if judged, ok := judgeSlots(slots); ok {
		s = judged
	} else {
		s = rough(slots)
	}
	unit := l.unit()
	t.BitS = s.mean * unit * 8 / slotTime.Seconds()
	t.Time = time.Duration(s.measured) * slotTime
	t.From = begun.Add(time.Duration(empty+s.from) * slotTime)
	t.Bytes = int64(s.mean * unit * float64(s.measured))
	t.HalfWidth, t.HalfWidthKnown = s.half, s.half > 0
	t.Steady = s.settled
	switch {
	case errors.Is(cause, errKnown):
		t.StoppedBy = stopKnown
	case errors.Is(cause, errCeiling):
		t.StoppedBy = stopCeiling
	case errors.Is(cause, metered.ErrBudget):
		t.StoppedBy = stopBudget
	case errors.Is(cause, errDeadline):
		t.StoppedBy = stopDeadline
	case l.wire.Left() < l.wire.Limit()/5: // every stream has used its share
		t.StoppedBy = stopBudget
	default:
		t.StoppedBy = stopEnded
	}
	if !(t.BitS > 0) {
		return last
	}
	return nil
}

// ask gets the reflector's report of a run; without one the figures that need it
// stay unknown.
func (a *attempt) ask(ctx context.Context, id string) (report, bool) {
	if a.cfg.Reflector == "" {
		return report{}, false
	}
	ctx, ph := a.begin(ctx, reportTimeout, 256<<10)
	defer func() { a.spent += withHeaders(ph.end()) }()
	rep, err := ph.report(ctx, id)
	return rep, err == nil
}

// tcpFigures fills in the set of RFC 6349.
func (a *attempt) tcpFigures(t *probes.Transfer, l *load, info tcpInfo, infoKnown bool, rep report, reported bool) {
	f := &t.TCP
	f.BaselineRTT, f.BaselineKnown = a.base, a.known
	if l.rttN > 0 {
		f.LoadedRTT, f.LoadedKnown = l.rttSum/time.Duration(l.rttN), true
	}
	if t.Loaded != nil && t.Loaded.RTTKnown { // packets tell it better than the kernel
		var sum time.Duration
		for _, rtt := range t.Loaded.RTTs {
			sum += rtt
		}
		f.LoadedRTT, f.LoadedKnown = sum/time.Duration(len(t.Loaded.RTTs)), true
	}
	if f.BaselineKnown {
		f.BDPBits, _ = BDPBits(t.BitS, f.BaselineRTT)
		if f.LoadedKnown {
			f.BufferDelay, f.BufferDelayKnown = BufferDelay(f.BaselineRTT, f.LoadedRTT)
		}
	}
	switch {
	case l.way == up && infoKnown:
		f.SentBytes, f.RetransmitBytes = info.sent, info.retransmitted
	case l.way == down && reported && rep.WireKnown:
		f.SentBytes, f.RetransmitBytes = rep.WireSent, rep.Retransmitted
	}
	f.Efficiency, f.EfficiencyKnown = Efficiency(f.SentBytes, f.RetransmitBytes)
	if ideal, ok := MaxTCPBitS(a.cfg.LinkBitS, 1500); ok {
		// Over the whole of a transfer, its beginning included.
		whole := float64(t.SpentBytes) * 100 / 105 * 8
		f.TransferTimeRatio, f.TimeRatioKnown = TransferTimeRatio(t.Elapsed, time.Duration(whole/ideal*1e9))
	}
}
