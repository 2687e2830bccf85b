// Package metrics turns the agent's picture of itself into Prometheus metrics.
//
// Every candlemark metric is derived from one status.Snapshot at the moment of
// the scrape, so a scrape is consistent in itself and nothing has to be kept up
// to date in between. A figure that is not known has no series: it is never 0,
// -1 or NaN. What stands still is told by timestamps. Units are base units
// (volts, amperes, joules, seconds, bytes, ratios; coulombs for charge), names
// follow Prometheus' naming.md and instrumentation.md; all of them are in desc.go.
//
// Active probes do not run at the scrape (a throughput probe would cost data at
// each); they run on the agent's schedule and export when they last measured.
//
// Limits: counters start at zero with the agent. Wall times are by the board's
// clock, which may be wrong until it is set; candlemark_agent_step_time_seconds
// is not.
package metrics

import (
	"net/http"
	"strings"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"candlemark/agent/status"
)

// BuildInfo says which build runs.
type BuildInfo struct {
	Version   string // "0.3.1", or "devel"
	Revision  string // of the source; "" when not known
	GoVersion string // runtime.Version()
	Platform  string // "linux/arm"
}

// maxScrapes bounds the renderings at once, one for each form that is asked for: a
// fault may not fill the board's memory.
const maxScrapes = 4

// Metrics is the agent's metrics in a registry of their own.
type Metrics struct {
	registry *prometheus.Registry
}

// New returns the metrics of the agent that view shows, and those of the Go
// runtime and the process. view is called once for each scrape, perhaps by
// several goroutines at once.
func New(view func() status.Snapshot, build BuildInfo) *Metrics {
	r := prometheus.NewRegistry()
	r.MustRegister(
		newCollector(view, build),
		collectors.NewGoCollector(),
		collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}),
	)
	return &Metrics{registry: r}
}

// Handler serves the metrics. A series that cannot be exported (two targets of
// one name, say) costs that series, not the scrape. Those who ask at the same time
// get the same answer.
func (m *Metrics) Handler() http.Handler {
	return &shared{render: promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{
		ErrorHandling:       promhttp.ContinueOnError,
		MaxRequestsInFlight: maxScrapes,
		EnableOpenMetrics:   true,
	})}
}

// Gatherer gives the registry to tests and to whoever sends the metrics elsewhere.
func (m *Metrics) Gatherer() prometheus.Gatherer { return m.registry }

// collector derives const metrics from one snapshot for each scrape.
type collector struct {
	view  func() status.Snapshot
	build BuildInfo
	descs [familyCount]*prometheus.Desc
	types [familyCount]prometheus.ValueType
}

func newCollector(view func() status.Snapshot, build BuildInfo) *collector {
	c := &collector{view: view, build: build}
	for i, f := range families() {
		c.descs[i] = prometheus.NewDesc(f.Name, f.Help, f.Labels, nil)
		c.types[i] = prometheus.GaugeValue
		if f.Type == Counter {
			c.types[i] = prometheus.CounterValue
		}
	}
	return c
}

// Describe implements prometheus.Collector.
func (c *collector) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range c.descs {
		ch <- d
	}
}

// Collect implements prometheus.Collector.
func (c *collector) Collect(ch chan<- prometheus.Metric) {
	s := c.view()
	e := emitter{c: c, ch: ch}
	e.put(buildInfo, 1, c.build.Version, c.build.Revision, c.build.GoVersion, c.build.Platform)
	e.agent(s)
	for i := range s.Packs {
		e.pack(&s.Packs[i])
	}
	for i := range s.Targets {
		e.target(&s.Targets[i])
	}
	e.alarms(s)
	if s.Feed != nil {
		e.feed(s.Feed)
	}
	for _, r := range s.Receivers {
		e.receiver(r)
	}
	e.journal(s.Journal)
	if s.Forward != nil {
		e.forward(s.Forward, s.Taken.Wall)
	}
}

// emitter sends the metrics of one scrape.
type emitter struct {
	c  *collector
	ch chan<- prometheus.Metric
}

func (e emitter) put(i id, v float64, labels ...string) {
	m, err := prometheus.NewConstMetric(e.c.descs[i], e.c.types[i], v, valid(labels)...)
	e.send(i, m, err)
}

func (e emitter) putHistogram(i id, count uint64, sum float64, buckets map[float64]uint64, labels ...string) {
	m, err := prometheus.NewConstHistogram(e.c.descs[i], count, sum, buckets, valid(labels)...)
	e.send(i, m, err)
}

// valid puts a mark in the place of what is not UTF-8, which the registry refuses.
func valid(labels []string) []string {
	out := make([]string, len(labels))
	for n, l := range labels {
		out[n] = strings.ToValidUTF8(l, "\uFFFD")
	}
	return out
}

func (e emitter) send(i id, m prometheus.Metric, err error) {
	if err != nil {
		m = prometheus.NewInvalidMetric(e.c.descs[i], err)
	}
	e.ch <- m
}

// flag puts 1 for true and 0 for false.
func (e emitter) flag(i id, on bool, labels ...string) {
	v := 0.0
	if on {
		v = 1
	}
	e.put(i, v, labels...)
}
