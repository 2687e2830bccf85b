package metrics

import (
	"strings"
	"time"

	"candlemark/agent/status"
	"candlemark/probes"
	"candlemark/probes/quality"
)

const bitsPerByte = 8 // naming.md: bytes, also for what people give in bits

func (e emitter) target(t *status.Target) {
	section, kind := string(t.Section), string(t.Kind)
	e.put(probeAttempts, float64(t.Attempts), t.Name, section, kind)
	e.put(probeFailures, float64(t.Failures), t.Name, section, kind)
	e.put(probeBytes, float64(t.Bytes), t.Name, section, kind)
	e.put(probeTime, t.Spent.Seconds(), t.Name, section, kind)
	e.flag(probeHeld, t.NotRun != "", t.Name, section, kind)
	if t.Energy.Measured > 0 {
		e.put(probeEnergy, t.Energy.MeanWh*joulesPerWh, t.Name, section, kind)
		e.put(probeEnergyError, t.Energy.ErrorWh*joulesPerWh, t.Name, section, kind)
	}
	if t.LastKnown {
		e.unix(probeLastTime, t.Last.Start.Add(t.Last.Elapsed), t.Name, section, kind)
	}
	if t.Kind == probes.Latency {
		e.put(linkSent, float64(t.Sent), t.Name, section)
		e.put(linkLost, float64(t.Lost), t.Name, section)
		e.histogram(t, section)
		e.directionSum(t.Forward, t.Name, section, forward)
		e.directionSum(t.Backward, t.Name, section, backward)
	}
	// Where the newest probe could not measure, the one before it says nothing
	// of the link as it is now.
	if !t.LastKnown || t.LastOld {
		return
	}
	if l := t.Last.Latency; l != nil {
		e.latency(*l, t.Name, section)
	}
	if th := t.Last.Throughput; th != nil {
		e.throughput(*th, t.Name, section)
	}
	if s := t.Last.Service; s != nil {
		e.service(*s, t.Last.Elapsed, t.Name, section)
	}
}

// Values of the label direction of packets.
const (
	forward  = "forward"
	backward = "backward"
)

func (e emitter) histogram(t *status.Target, section string) {
	bounds := probes.RTTBounds()
	if len(t.RTTs.Counts) != len(bounds)+1 {
		return // nothing was answered yet
	}
	buckets := make(map[float64]uint64, len(bounds))
	var total uint64
	for i, bound := range bounds {
		total += t.RTTs.Counts[i]
		buckets[bound.Seconds()] = total
	}
	total += t.RTTs.Counts[len(bounds)]
	e.putHistogram(linkRTT, total, t.RTTs.Sum.Seconds(), buckets, t.Name, section)
}

func (e emitter) directionSum(d status.DirectionSum, labels ...string) {
	if !d.Known {
		return
	}
	e.put(linkWaySent, float64(d.Sent), labels...)
	e.put(linkWayLost, float64(d.Lost), labels...)
}

func (e emitter) latency(l probes.LatencyStats, name, section string) {
	if loss, ok := l.LossRatio(); ok {
		e.flag(linkUp, l.Lost < l.Sent, name, section)
		e.put(linkLoss, loss, name, section)
	}
	if low, high, ok := l.LossInterval(); ok {
		e.put(linkLossLow, low, name, section)
		e.put(linkLossHigh, high, name, section)
	}
	if l.RTTKnown {
		e.put(linkRTTMin, l.Min.Seconds(), name, section)
		e.put(linkRTTMedian, l.Median.Seconds(), name, section)
		e.put(linkRTTP95, l.P95.Seconds(), name, section)
	}
	if l.VariationKnown {
		e.put(linkJitter, l.Jitter.Seconds(), name, section)
		e.put(linkPDV, l.PDVP95.Seconds(), name, section)
	}
	if l.IPDVKnown {
		e.put(linkIPDV, l.IPDVMeanAbs.Seconds(), name, section)
	}
	e.direction(l.Forth, name, section, forward)
	e.direction(l.Back, name, section, backward)
}

func (e emitter) direction(d *probes.Direction, labels ...string) {
	if d == nil {
		return
	}
	if d.LossKnown && d.Sent > 0 {
		e.put(linkWayLoss, float64(d.Lost)/float64(d.Sent), labels...)
	}
	if d.VariationKnown {
		e.put(linkWayJitter, d.Jitter.Seconds(), labels...)
		e.put(linkWayPDV, d.PDVP95.Seconds(), labels...)
	}
	if d.IPDVKnown {
		e.put(linkWayIPDV, d.IPDVMeanAbs.Seconds(), labels...)
	}
}

func (e emitter) throughput(t probes.ThroughputStats, name, section string) {
	if t.DownKnown {
		e.put(linkDown, t.Down/bitsPerByte, name, section)
	}
	if t.UpKnown {
		e.put(linkUpload, t.Up/bitsPerByte, name, section)
	}
	if t.IdleRTTKnown {
		e.put(linkIdleRTT, t.IdleRTT.Seconds(), name, section)
	}
	e.transfer(t.DownDetail, name, section, "down")
	e.transfer(t.UpDetail, name, section, "up")
}

func (e emitter) transfer(t *probes.Transfer, name, section, way string) {
	if t == nil {
		return
	}
	e.put(linkSpentBytes, float64(t.SpentBytes), name, section, way)
	e.put(linkSpentTime, t.Elapsed.Seconds(), name, section, way)
	if t.HalfWidthKnown {
		e.put(linkRateError, t.HalfWidth, name, section, way)
	}
	if l := t.Loaded; l != nil && l.RTTKnown {
		e.put(linkLoadedMedian, l.Median.Seconds(), name, section, way)
		e.put(linkLoadedP95, l.P95.Seconds(), name, section, way)
	}
	if r, ok := quality.Respond(t.Working); ok {
		e.put(linkResponsiveness, r.RPM/60, name, section, way)
		for percentile, d := range map[string]time.Duration{"50": r.P50, "90": r.P90, "95": r.P95, "99": r.P99} {
			e.put(linkRequestDelay, d.Seconds(), name, section, way, percentile)
		}
	}
	f := t.TCP
	if f.EfficiencyKnown {
		e.put(linkEfficiency, f.Efficiency, name, section, way)
	}
	if f.BufferDelayKnown {
		e.put(linkBufferDelay, f.BufferDelay, name, section, way)
	}
	if f.TimeRatioKnown {
		e.put(linkTimeRatio, f.TransferTimeRatio, name, section, way)
	}
	if f.BaselineKnown && f.BDPBits > 0 {
		e.put(linkBDP, f.BDPBits/bitsPerByte, name, section, way)
	}
}

func (e emitter) service(s probes.ServiceStats, took time.Duration, name, section string) {
	e.flag(serviceUp, s.Works, name, section)
	e.put(serviceTime, took.Seconds(), name, section)
	for _, step := range []struct {
		label string
		took  time.Duration
		known bool
	}{{"resolve", s.Resolve, s.ResolveKnown}, {"connect", s.Connect, s.ConnectKnown}, {"tls", s.TLS, s.TLSKnown}, {"first_byte", s.FirstByte, s.FirstByteKnown}} {
		if step.known {
			e.put(serviceStep, step.took.Seconds(), name, section, step.label)
		}
	}
}

// fit puts every verdict as 0 or 1, so that a rule finds a 0 and not a hole.
func (e emitter) fit(verdicts []quality.Verdict) {
	label := func(s string) string { return strings.ReplaceAll(s, " ", "_") }
	for _, v := range verdicts {
		for _, w := range []quality.Word{quality.Fit, quality.Usable, quality.Unfit, quality.CannotTell} {
			e.flag(linkFit, v.Word == w, label(v.Use), label(string(w)))
		}
		if v.UsersKnown {
			e.put(linkFitUsers, float64(v.Users), label(v.Use))
		}
	}
}
