// Package dashboards holds the two Grafana dashboards and generates them: one
// relay, and all relays.
//
// content.go, contentlink.go and fleet.go say what is shown, as plain data;
// build.go turns it into Grafana's JSON. relay.json and all-relays.json are the
// generated files; after a change run
//
//	go generate ./dashboards
//
// The dashboards expect a label named relay on every series, and take site and
// incident where they are there. They come from the scrape configuration
// (deploy/prometheus/prometheus.yaml) or with what the agent pushes (forward in
// its configuration). All relays at once also need the recording rules of
// deploy/prometheus/rules.yaml.
//
// Limits: thresholds of the pack's warnings are the agent's own metrics; the
// dashboards decide nothing. Relays are told apart by their label alone.
package dashboards

//go:generate go run ./generate -out .

const silent = "unknown: nothing heard from the relay"

// Relay is the dashboard of one relay, most urgent first.
func Relay() Dashboard {
	return Dashboard{
		UID: relayUID, File: "relay.json", Title: "Candlemark: one relay", From: "now-6h",
		About: "How long a relay's pack lasts, what its link does, and whether these figures can be trusted. An estimate is not a promise; keep a reserve.",
		Variables: []Variable{
			{"site", "Site", `label_values(candlemark_build_info, site)`, true},
			{"incident", "Incident", `label_values(candlemark_build_info, incident)`, true},
			{"relay", "Relay", `label_values(candlemark_build_info{site=~"$site",incident=~"$incident"}, relay)`, false},
			{"pack", "Pack", `label_values(candlemark_pack_state{relay="$relay"}, pack)`, false},
		},
		Marks: []Mark{
			{"Alarms of the agent", "red", `candlemark_alarm_active{relay="$relay"} == 1`, "{{severity}}: {{alarm}}", "{{subject}}"},
			{"Alerts of Prometheus", "orange", `ALERTS{relay="$relay",alertstate="firing"}`, "{{severity}}: {{alertname}}", "{{pack}} {{receiver}} {{target}}"},
			// A difference over one step shows each swap once, whatever the step.
			{"Pack swaps", "blue", `candlemark_pack_swaps_total{relay="$relay"} - candlemark_pack_swaps_total{relay="$relay"} offset $__interval > 0`, "pack swapped", "{{pack}}"},
		},
		Link: Link{"All relays", "/d/" + fleetUID, "Who runs out first, who is silent, whose uplink is bad"},
		Sections: []Section{
			{"What to do", nowPanels()},
			{"Power", powerPanels()},
			{"Link", linkPanels()},
			{"Can these figures be trusted?", trustPanels()},
		},
	}
}

func nowPanels() []Panel {
	return []Panel{
		{
			Title: "Time left", Unit: "s", Now: true, Width: 6,
			Help:    "Expected time until the pack reaches its cut-off under load. When the warning alarm is raised, bring the next pack; when the critical alarm is raised, shut the terminal down in order. It is an estimate: see the range below.",
			Empty:   "unknown: charging, resting, no pack, or nothing heard",
			Queries: []Query{{"A", `candlemark_pack_runtime_seconds{relay="$relay"}`, "{{pack}}"}},
		}, {
			Title: "Alarms active", Unit: "short", Now: true, Width: 4, Steps: []Step{{1, warn}},
			Help:    "Number of alarms that are active. Above 0: read which ones in the next panel and do what the message to the operator says.",
			Empty:   silent,
			Queries: []Query{{"A", `sum(candlemark_alarm_active{relay="$relay"})`, "active"}},
		}, {
			Title: "Which alarms", Unit: "short", Now: true, Names: true, Width: 6,
			Help:    "The alarms that are active, by machine name and by what they are about. Empty while none is, and also while the relay is silent.",
			Empty:   "none, if the relay is heard",
			Queries: []Query{{"A", `candlemark_alarm_active{relay="$relay"} == 1`, "{{severity}}: {{alarm}} {{subject}}"}},
		}, {
			Title: "Pack state", Unit: "short", Now: true, Names: true, Width: 4,
			Help:    "What each pack is doing. The time left is only forecast while a pack discharges.",
			Empty:   silent,
			Queries: []Query{{"A", `candlemark_pack_state{relay="$relay"} == 1`, "{{pack}}: {{state}}"}},
		}, {
			Title: "Relay heard", Unit: "short", Now: true, Width: 4,
			Help:    "Whether the last scrape reached the agent. Silent: call the operator; the board, the link or the agent may be down, and every other figure here is old.",
			Empty:   "never scraped",
			Words:   map[string]string{"0": "silent", "1": "heard"},
			Queries: []Query{{"A", `up{relay="$relay"}`, "{{instance}}"}},
		},
	}
}

func powerPanels() []Panel {
	return []Panel{
		{
			Title: "Time left of pack $pack, with range", Unit: "s", Width: 12,
			Help:  "The band holds the true time 9 times in 10. The alarms compare the cautious line with the two lead times: plan the next pack for the moment the cautious line meets the upper one.",
			Empty: "unknown", Band: [2]string{"low", "high"},
			Queries: []Query{
				{"A", `candlemark_pack_runtime_seconds{relay="$relay",pack="$pack"}`, "expected"},
				{"B", `candlemark_pack_runtime_low_seconds{relay="$relay",pack="$pack"}`, "low"},
				{"C", `candlemark_pack_runtime_high_seconds{relay="$relay",pack="$pack"}`, "high"},
				{"D", `candlemark_pack_runtime_cautious_seconds{relay="$relay",pack="$pack"}`, "cautious"},
				{"E", `candlemark_pack_next_pack_lead_seconds{relay="$relay",pack="$pack"}`, "bring the next pack"},
				{"F", `candlemark_pack_shut_down_lead_seconds{relay="$relay",pack="$pack"}`, "shut the terminal down"},
			},
		}, {
			Title: "Charge left", Unit: "percentunit", Width: 6,
			Help:    "Charge above the cut-off at the present load. A pack that falls faster than the load explains is worn or cold: plan with less.",
			Empty:   "unknown",
			Queries: []Query{{"A", `candlemark_pack_charge_ratio{relay="$relay"}`, "{{pack}}"}},
		}, {
			Title: "Voltage", Unit: "volt", Width: 6,
			Help:  "Voltage at the pack, and its cut-off under the present load. The voltage alone does not say how much is left; near the cut-off it falls suddenly.",
			Empty: "no fresh reading",
			Queries: []Query{
				{"A", `candlemark_pack_voltage_volts{relay="$relay"}`, "{{pack}}"},
				{"B", `candlemark_pack_cutoff_volts{relay="$relay"}`, "{{pack}} cut-off"},
			},
		}, {
			Title: "Current", Unit: "amp", Width: 6,
			Help:    "Positive while the pack discharges. If the alarm current_clipped is active the true current is higher than shown: fit a shunt of lower resistance.",
			Empty:   "no fresh reading",
			Queries: []Query{{"A", `candlemark_pack_current_amperes{relay="$relay"}`, "{{pack}}"}},
		}, {
			Title: "Power", Unit: "watt", Width: 6,
			Help:  "Power now, the mean by the energy counter, and what the forecast assumes. If it rose, find out what was switched on.",
			Empty: "no fresh reading",
			Queries: []Query{
				{"A", `candlemark_pack_power_watts{relay="$relay"}`, "{{pack}} now"},
				{"B", `rate(candlemark_pack_discharged_joules_total{relay="$relay"}[$__rate_interval])`, "{{pack}} mean"},
				{"C", `candlemark_pack_load_watts{relay="$relay"}`, "{{pack}} assumed"},
			},
		}, {
			Title: "Energy drawn", Unit: "watth", Width: 6,
			Help:    "Energy drawn since the agent started. Divide by the hours to see how many packs a day this takes.",
			Empty:   silent,
			Queries: []Query{{"A", `candlemark_pack_discharged_joules_total{relay="$relay"} / 3600`, "{{pack}}"}},
		}, {
			Title: "Capacity", Unit: "amph", Width: 6,
			Help:  "Usable capacity as estimated, beside the label. Take a pack out of service when it holds much less than its label at ordinary temperature.",
			Empty: "unknown",
			Queries: []Query{
				{"A", `candlemark_pack_capacity_coulombs{relay="$relay"} / 3600`, "{{pack}} estimated"},
				{"B", `candlemark_pack_rated_capacity_coulombs{relay="$relay"} / 3600`, "{{pack}} label"},
			},
		},
	}
}

func linkPanels() []Panel {
	return append(idlePanels(), loadPanels()...)
}

func idlePanels() []Panel {
	return []Panel{
		{
			Title: "Answers", Unit: "short", Now: true, Width: 6,
			Help:    "Whether each target answered at all. A near target silent: look at the relay, the terminal and the cable between. Only far targets silent: the fault is beyond the terminal.",
			Empty:   "not measured",
			Words:   map[string]string{"0": "no answer", "1": "answers"},
			Queries: []Query{{"A", `candlemark_link_up{relay="$relay"}`, "{{section}}: {{target}}"}},
		}, {
			Title: "Round trip, near hop", Unit: "s", Width: 9,
			Help:  "Median and 95th percentile of each burst to the near elements. If these rise, the fault is on this side: move the relay, change the channel, look at the cable.",
			Empty: "not measured",
			Queries: []Query{
				{"A", `candlemark_link_rtt_median_seconds{relay="$relay",section="hop"}`, "{{target}} median"},
				{"B", `candlemark_link_rtt_p95_seconds{relay="$relay",section="hop"}`, "{{target}} p95"},
				{"C", `candlemark_link_rtt_min_seconds{relay="$relay",section="hop"}`, "{{target}} least"},
			},
		}, {
			Title: "Round trip, uplink", Unit: "s", Width: 9,
			Help:  "Median and 95th percentile of each burst to the far targets. If these rise while the near hop stays level, the uplink is loaded or blocked: clear the terminal's view of the sky, or use it less.",
			Empty: "not measured",
			Queries: []Query{
				{"A", `candlemark_link_rtt_median_seconds{relay="$relay",section="uplink"}`, "{{target}} median"},
				{"B", `candlemark_link_rtt_p95_seconds{relay="$relay",section="uplink"}`, "{{target}} p95"},
				{"C", `candlemark_link_rtt_min_seconds{relay="$relay",section="uplink"}`, "{{target}} least"},
			},
		}, {
			Title: "Packets lost", Unit: "percentunit", Width: 8, Steps: []Step{{mostLoss, warn}},
			Help:  "Share lost in the last burst, and over all packets of the interval. Voice suffers above the line: find out by the near hop's loss on which side it arises. A burst is short: no loss in it does not prove a link without loss.",
			Empty: "not measured",
			Queries: []Query{
				{"A", `candlemark_link_loss_ratio{relay="$relay"}`, "{{target}} last burst"},
				{"B", `rate(candlemark_link_packets_lost_total{relay="$relay"}[$__rate_interval]) / rate(candlemark_link_packets_sent_total{relay="$relay"}[$__rate_interval])`, "{{target}} interval"},
			},
		}, {
			Title: "Jitter and delay variation", Unit: "s", Width: 8,
			Help:  "How unevenly packets return, formed from round trips. Voice and video suffer from this before throughput does; ask users to pause large transfers.",
			Empty: "not measured",
			Queries: []Query{
				{"A", `candlemark_link_jitter_seconds{relay="$relay"}`, "{{target}} jitter"},
				{"B", `candlemark_link_ipdv_mean_abs_seconds{relay="$relay"}`, "{{target}} packet to packet"},
				{"C", `candlemark_link_pdv_p95_seconds{relay="$relay"}`, "{{target}} above the least, p95"},
			},
		},
	}
}

func trustPanels() []Panel {
	return []Panel{
		{
			Title: "Age of the pack's reading", Unit: "s", Now: true, Width: 6, Steps: []Step{{60, warn}},
			Help:    "Time since the last good reading, both by the board's clock. More than a minute: the sensor does not answer; check its wires.",
			Empty:   "never read",
			Queries: []Query{{"A", `candlemark_agent_clock_timestamp_seconds{relay="$relay"} - on (relay, instance) group_right () candlemark_pack_reading_timestamp_seconds{relay="$relay"}`, "{{pack}}"}},
		}, {
			Title: "Age of the link's results", Unit: "s", Now: true, Width: 6,
			Help:    "Time since each probe last measured something, by the board's clock.",
			Empty:   "never measured",
			Queries: []Query{{"A", `candlemark_agent_clock_timestamp_seconds{relay="$relay"} - on (relay, instance) group_right () candlemark_probe_last_result_timestamp_seconds{relay="$relay"}`, "{{target}} {{kind}}"}},
		}, {
			Title: "Board's clock ahead", Unit: "s", Now: true, Width: 6, Steps: []Step{{60, warn}}, // as CandlemarkClockWrong
			Help:    "The board's clock compared with Prometheus' at the scrape; negative when it is behind. Far off: times in the board's log and journal are wrong by as much.",
			Empty:   silent,
			Queries: []Query{{"A", `candlemark_agent_clock_timestamp_seconds{relay="$relay"} - timestamp(candlemark_agent_clock_timestamp_seconds{relay="$relay"})`, "{{instance}}"}},
		}, {
			Title: "Sensor", Unit: "short", Now: true, Width: 6,
			Help:    "Whether the sensor's last read succeeded and is fresh. Not answering: check power and wires of the sensor.",
			Empty:   silent,
			Words:   map[string]string{"0": "not answering", "1": "answers"},
			Queries: []Query{{"A", `candlemark_sensor_up{relay="$relay"}`, "{{pack}}"}},
		}, {
			Title: "Sensor errors and repairs", Unit: "short", Width: 8,
			Help:  "Failed reads, and times the sensor lost its settings, since the agent started. A slow rise is a loose wire or a supply that dips.",
			Empty: silent,
			Queries: []Query{
				{"A", `candlemark_sensor_errors_total{relay="$relay"}`, "{{pack}} errors"},
				{"B", `candlemark_sensor_repairs_total{relay="$relay"}`, "{{pack}} repairs"},
			},
		}, {
			Title: "Error bounds", Unit: "short", Width: 8,
			Help:  "Worst-case error of voltage (V), current (A) and power (W), plus or minus, from the data sheet and the shunt's tolerance.",
			Empty: "no fresh reading",
			Queries: []Query{
				{"A", `candlemark_pack_voltage_error_volts{relay="$relay"}`, "{{pack}} V"},
				{"B", `candlemark_pack_current_error_amperes{relay="$relay"}`, "{{pack}} A"},
				{"C", `candlemark_pack_power_error_watts{relay="$relay"}`, "{{pack}} W"},
			},
		}, {
			Title: "Delivery of alarms, and journal", Unit: "short", Width: 8,
			Help:  "Failed deliveries and messages given up since the agent started, messages waiting, and records not yet on disk. If failures grow, tell the operator by another way.",
			Empty: silent,
			Queries: []Query{
				{"A", `candlemark_notify_failures_total{relay="$relay"}`, "{{receiver}} failed"},
				{"B", `candlemark_notify_dropped_total{relay="$relay"}`, "{{receiver}} given up"},
				{"C", `candlemark_notify_waiting_messages{relay="$relay"}`, "{{receiver}} waiting"},
				{"D", `candlemark_journal_pending_records{relay="$relay"}`, "journal waiting"},
			},
		},
	}
}
