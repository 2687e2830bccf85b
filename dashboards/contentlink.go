package dashboards

// loadPanels are what a link carries, how it feels then, and what it is good enough for.
func loadPanels() []Panel {
	return []Panel{
		{
			Title: "Throughput", Unit: "bps", Width: 8,
			Help:  "Payload rate of the last throughput probe. One good figure is one moment; see its age below. Probes stop when the data budget or the pack is low.",
			Empty: "not measured",
			Queries: []Query{
				{"A", `candlemark_link_download_bytes_per_second{relay="$relay"} * 8`, "{{target}} down"},
				{"B", `candlemark_link_upload_bytes_per_second{relay="$relay"} * 8`, "{{target}} up"},
			},
		}, {
			Title: "Data used today", Unit: "decbytes", Width: 12,
			Help:  "What measuring has cost today, and the daily budget. When the budget is spent, throughput probes wait until tomorrow; latency probes go on.",
			Empty: silent,
			Queries: []Query{
				{"A", `candlemark_data_used_today_bytes{relay="$relay"}`, "used"},
				{"B", `candlemark_data_budget_bytes{relay="$relay"}`, "budget"},
			},
		}, {
			Title: "Probes that could not measure", Unit: "short", Width: 12,
			Help:  "Attempts and failures since the agent started, and whether a probe is held back (1). Failures that grow mean that the probe itself is broken: look at the page on the board for the reason.",
			Empty: silent,
			Queries: []Query{
				{"A", `candlemark_probe_failures_total{relay="$relay"}`, "{{target}} {{kind}} failed"},
				{"B", `candlemark_probe_attempts_total{relay="$relay"}`, "{{target}} {{kind}} attempted"},
				{"C", `candlemark_probe_held{relay="$relay"}`, "{{target}} {{kind}} held back"},
			},
		},
		{
			Title: "Good enough for", Unit: "short", Now: true, Names: true, Width: 6,
			Help:    "The verdict for each use, from the newest probes of the uplink. Cannot tell: the page on the board says which figure is missing, with what is measured beside what is needed.",
			Empty:   "not judged: nothing probes the uplink",
			Queries: []Query{{"A", `candlemark_link_fit{relay="$relay"} == 1`, "{{use}}: {{verdict}}"}},
		}, {
			Title: "Named services", Unit: "short", Now: true, Width: 6,
			Help:    "Whether people's own tasks worked at the last try. If the link answers and a service does not, tell whoever runs the service; the reason is on the page on the board.",
			Empty:   "none is named, or none could be tried",
			Words:   map[string]string{"0": "does not work", "1": "works"},
			Queries: []Query{{"A", `candlemark_service_up{relay="$relay"}`, "{{target}}"}},
		}, {
			Title: "Lost in each direction", Unit: "percentunit", Width: 12,
			Help:  "Share of the packets between relay and reflector lost on the way there (forward) and back, over the interval. Loss in one direction alone points at the transmitter or the interference of that side.",
			Empty: "no reflector is probed",
			Queries: []Query{
				{"A", `rate(candlemark_link_direction_packets_lost_total{relay="$relay"}[$__rate_interval]) / rate(candlemark_link_direction_packets_sent_total{relay="$relay"}[$__rate_interval])`, "{{target}} {{direction}}"},
			},
		}, {
			Title: "Round trip, 95 % of the interval", Unit: "s", Width: 8,
			Help:  "The 95th percentile of all round trips of the interval, from the histogram: between the bounds of its buckets it is a guess. One burst may be luck; this is many.",
			Empty: "not measured",
			Queries: []Query{
				{"A", `histogram_quantile(0.95, sum by (target, le) (rate(candlemark_link_rtt_seconds_bucket{relay="$relay"}[$__rate_interval])))`, "{{target}}"},
			},
		}, {
			Title: "Round trip under load", Unit: "s", Width: 8,
			Help:  "Median and 95th percentile while one direction is loaded. Far above the idle round trip: a queue on the way is too long; calls suffer while anybody moves files. Limit the rate at the relay.",
			Empty: "no transfer measures under load",
			Queries: []Query{
				{"A", `candlemark_link_loaded_rtt_median_seconds{relay="$relay"}`, "{{target}} {{direction}} median"},
				{"B", `candlemark_link_loaded_rtt_p95_seconds{relay="$relay"}`, "{{target}} {{direction}} p95"},
			},
		}, {
			Title: "Responsiveness", Unit: "short", Width: 8,
			Help:    "Round trips a minute under load, by the IETF draft: below 300 poor, up to 1000 fair, up to 6000 good. It falls when queues on the way are too long.",
			Empty:   "no transfer measures under load",
			Queries: []Query{{"A", `candlemark_link_responsiveness_per_second{relay="$relay"} * 60`, "{{target}} {{direction}}"}},
		},
	}
}
