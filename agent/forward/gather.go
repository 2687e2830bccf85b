package forward

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/prometheus/client_golang/prometheus"
	dto "github.com/prometheus/client_model/go"
)

// mostSeries bounds one gathering; one relay has a few hundred.
const mostSeries = 2000

// staleBits is the value that says a series ended (Prometheus, model/value: StaleNaN).
const staleBits = 0x7ff0000000000002

// gatherer turns what a registry exports into series of the backlog.
type gatherer struct {
	source prometheus.Gatherer
	fixed  []label // identity and configured labels, sorted, none empty

	out    []sampled
	faults []error // of this gathering
	bad    int     // samples left out of this gathering
	last   map[string]string
}

type sampled struct {
	series string
	value  float64
}

// gather reads every series once, sorted, and ends those that are gone. A series
// that cannot be sent costs itself only: it is in bad, and err says why of the first.
func (g *gatherer) gather() (series []string, values []float64, bad int, err error) {
	g.out, g.faults, g.bad = nil, nil, 0
	families, err := g.source.Gather() // gives what it can beside an error
	if err != nil {
		g.faults = append(g.faults, fmt.Errorf("gather: %w", err))
	}
	for _, f := range families {
		for _, m := range f.GetMetric() {
			g.metric(f, m)
		}
	}
	now := make(map[string]string, len(g.out))
	kept := g.out[:0]
	for _, s := range g.out {
		if _, twice := now[s.series]; twice || len(now) >= mostSeries {
			g.refuse(errors.New("a series twice, or too many"))
			continue
		}
		if before, ok := g.last[s.series]; ok {
			s.series = before // so that all that wait share one string
		}
		now[s.series] = s.series
		kept = append(kept, s)
	}
	for s := range g.last {
		if _, on := now[s]; !on {
			kept = append(kept, sampled{s, math.Float64frombits(staleBits)})
		}
	}
	g.last = now
	slices.SortFunc(kept, func(a, b sampled) int { return strings.Compare(a.series, b.series) })
	for _, s := range kept {
		series, values = append(series, s.series), append(values, s.value)
	}
	if len(g.faults) > 0 {
		err = g.faults[0]
	}
	return series, values, g.bad, err
}

func (g *gatherer) refuse(err error) {
	g.bad++
	g.faults = append(g.faults, fmt.Errorf("gather: %w", err))
}

// metric flattens one metric as the exposition format does.
func (g *gatherer) metric(f *dto.MetricFamily, m *dto.Metric) {
	name := f.GetName()
	switch f.GetType() {
	case dto.MetricType_COUNTER:
		g.put(typeCounter, name, m, m.GetCounter().GetValue())
	case dto.MetricType_GAUGE:
		g.put(typeGauge, name, m, m.GetGauge().GetValue())
	case dto.MetricType_UNTYPED:
		g.put(typeUnknown, name, m, m.GetUntyped().GetValue())
	case dto.MetricType_SUMMARY:
		s := m.GetSummary()
		for _, q := range s.GetQuantile() {
			g.put(typeSummary, name, m, q.GetValue(), label{"quantile", number(q.GetQuantile())})
		}
		g.put(typeSummary, name+"_sum", m, s.GetSampleSum())
		g.put(typeSummary, name+"_count", m, float64(s.GetSampleCount()))
	case dto.MetricType_HISTOGRAM:
		h := m.GetHistogram()
		for _, b := range h.GetBucket() {
			if !math.IsInf(b.GetUpperBound(), 1) {
				g.put(typeHistogram, name+"_bucket", m, float64(b.GetCumulativeCount()), label{"le", number(b.GetUpperBound())})
			}
		}
		g.put(typeHistogram, name+"_bucket", m, float64(h.GetSampleCount()), label{"le", "+Inf"})
		g.put(typeHistogram, name+"_sum", m, h.GetSampleSum())
		g.put(typeHistogram, name+"_count", m, float64(h.GetSampleCount()))
	default:
		g.refuse(fmt.Errorf("%s: type %v is not sent", name, f.GetType()))
	}
}

func number(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }

func (g *gatherer) put(kind byte, name string, m *dto.Metric, value float64, more ...label) {
	labels := append(slices.Clone(g.fixed), label{nameLabel, name})
	labels = append(labels, more...)
	for _, p := range m.GetLabel() {
		l := label{p.GetName(), p.GetValue()}
		if l.value == "" {
			continue // the same as none
		}
		if i := slices.IndexFunc(g.fixed, func(f label) bool { return f.name == l.name }); i >= 0 {
			if g.fixed[i].value == l.value {
				continue
			}
			l.name = "exported_" + l.name
		}
		labels = append(labels, l)
	}
	slices.SortFunc(labels, func(a, b label) int { return strings.Compare(a.name, b.name) })
	for i, l := range labels {
		err := l.check()
		if err == nil && i > 0 && labels[i-1].name == l.name {
			err = errors.New("label " + l.name + " twice")
		}
		if err != nil {
			g.refuse(fmt.Errorf("%s: %w", name, err))
			return
		}
	}
	g.out = append(g.out, sampled{join(kind, labels), value})
}
