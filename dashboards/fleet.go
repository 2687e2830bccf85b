package dashboards

import "strings"

const (
	relayUID = "candlemark-relay"
	fleetUID = "candlemark-all-relays"

	// silentAfter is as CandlemarkSilent has it, in seconds: an agent that pushes
	// sends once a minute, one that is scraped is heard every 15 s.
	silentAfter = "180"
	// mostLoss is the target for conversational voice: less than 3 % of packets
	// lost (ITU-T G.1010, table I.1).
	mostLoss = 0.03
	// fullBudget is the share of the data budget that asks for somebody; common
	// practice, no source.
	fullBudget = 0.8
)

// fleet puts the choice of relays, and what rows are by, into an expression.
func fleet(expr string) string {
	return strings.NewReplacer(
		"CHOSEN", `relay=~"$relay",site=~"$site",incident=~"$incident"`,
		"BY", "by (relay, site, incident)",
		"ON", "on (relay, site, incident)",
	).Replace(expr)
}

// Names of what the recording rules keep.
const (
	heardAt   = "relay:candlemark_agent_step_time_seconds:heard_timestamp"
	outAt     = "relay:candlemark_pack_runtime_cautious_seconds:out_timestamp"
	lossRatio = "relay:candlemark_link_packets_lost_total:uplink_ratio15m"
	dataRatio = "relay:candlemark_data_used_today_bytes:budget_ratio"
	alarmOpen = "relay:candlemark_alarm_active:open"

	heardCount  = "site:candlemark_agent_step_time_seconds:heard_count"
	silentCount = "site:candlemark_agent_step_time_seconds:silent_count"
	outCount    = "site:candlemark_pack_runtime_cautious_seconds:out_count"
	alarmCount  = "site:candlemark_alarm_active:sum"
)

// Fleet is the dashboard of all relays.
func Fleet() Dashboard {
	return Dashboard{
		UID: fleetUID, File: "all-relays.json", Title: "Candlemark: all relays", From: "now-1h",
		About: "Which relay needs somebody first: packs that run out, silence, bad uplinks, spent data budgets, open alarms. A row leads to its relay. Needs the recording rules of deploy/prometheus/rules.yaml.",
		Variables: []Variable{
			{"site", "Site", `label_values(candlemark_build_info, site)`, true},
			{"incident", "Incident", `label_values(candlemark_build_info, incident)`, true},
			{"relay", "Relay", `label_values(candlemark_build_info{site=~"$site",incident=~"$incident"}, relay)`, true},
		},
		Marks: []Mark{
			{"A relay fell silent", "red", fleet(`ALERTS{alertname=~"CandlemarkSilent|CandlemarkStoppedSending",alertstate="firing",relay=~"$relay"}`), "silent: {{relay}}", "{{alertname}}"},
		},
		Link: Link{"One relay", "/d/" + relayUID, "Everything about one relay"},
		Sections: []Section{
			{"Who needs somebody", countPanels()},
			{"Packs and silence", packTables()},
			{"Uplinks, data, alarms", linkTables()},
			{"The last hours", fleetGraphs()},
		},
	}
}

func countPanels() []Panel {
	count := func(title, help, expr string, step Step) Panel {
		return Panel{Title: title, Help: help, Unit: "short", Now: true, Width: 4, Empty: silent, Steps: []Step{step},
			Queries: []Query{{"A", fleet(expr) + " or vector(0)", "relays"}}}
	}
	heard := count("Heard", "Relays heard in the last three minutes. Compare with how many you sent out: a relay that never spoke is in no list here.",
		`count(time() - `+heardAt+`{CHOSEN} < `+silentAfter+`)`, Step{})
	heard.Steps = nil
	return []Panel{
		heard,
		count("Silent", "Relays that were heard in the last day but not in the last three minutes. Above 0: see who below, and call their operators.",
			`count(time() - `+heardAt+`{CHOSEN} >= `+silentAfter+`)`, Step{1, urgent}),
		count("Next pack due", "Relays with a pack whose cautious time has fallen to its lead time. Above 0: have the next packs set out, in the order of the table below.",
			`count(count BY (candlemark_pack_runtime_cautious_seconds{CHOSEN} <= candlemark_pack_next_pack_lead_seconds{CHOSEN}))`, Step{1, warn}),
		count("Critical alarms", "Critical alarms that are open. Above 0: see which below; each says to the operator what to do. Ask whether it is being done.",
			`sum(`+alarmOpen+`{CHOSEN,severity="critical"})`, Step{1, urgent}),
		count("Uplink at fault", "Relays whose probes place a fault beyond the terminal. Many at once: the service itself; ask its provider. One: its view of the sky, or its load.",
			`count(count BY (candlemark_link_trouble{CHOSEN,place=~"uplink|both"} == 1))`, Step{1, warn}),
		count("Data nearly spent", "Relays that have used four fifths of the day's data budget or more. Above 0: have them use less, or raise the budget; their throughput probes stop, latency probes go on.",
			`count(`+dataRatio+`{CHOSEN} >= 0.8)`, Step{1, warn}),
	}
}

func packTables() []Panel {
	return []Panel{
		{
			Title: "Who runs out first", Unit: "s", Width: 14, Empty: "no pack is forecast",
			Help: "The shortest first. Cautious: time until the first pack of the relay may be at its cut-off, from what was last heard, counted down while the relay is silent; below 0 it may be out already. Leave within: time until the next pack must set out; at 0 send it. Send packs from the top of the list.",
			Queries: []Query{
				{"A", fleet(`sort(` + outAt + `{CHOSEN} - time())`), "cautious"},
				{"B", fleet(`min BY (candlemark_pack_runtime_seconds{CHOSEN})`), "expected"},
				{"C", fleet(`min BY (candlemark_pack_runtime_cautious_seconds{CHOSEN} - candlemark_pack_next_pack_lead_seconds{CHOSEN})`), "leave within"},
				{"D", fleet(`min BY (candlemark_pack_charge_ratio{CHOSEN})`), "charge"},
			},
			Table: &Table{SortBy: "A", Units: map[string]string{"D": "percentunit"},
				// The agent's own lead times are 45 and 15 min where nobody set others.
				Steps: map[string][]Step{"A": {{-1e9, urgent}, {900, warn}, {2700, calm}}, "C": {{-1e9, urgent}, {0, warn}, {1800, calm}}}},
		}, {
			Title: "Who is silent", Unit: "s", Width: 10, Empty: "everybody is heard",
			Help: "Relays not heard for three minutes, the longest first, with the cautious time that their pack may still have. Call the operator: the uplink may be down, the pack flat or the board off. What is packed up leaves the list after a day.",
			Queries: []Query{
				{"A", fleet(`sort_desc(time() - ` + heardAt + `{CHOSEN} >= ` + silentAfter + `)`), "silent for"},
				{"B", fleet(outAt + `{CHOSEN} - time() and ON time() - ` + heardAt + `{CHOSEN} >= ` + silentAfter), "may run out in"},
			},
			Table: &Table{SortBy: "A", Desc: true, Steps: map[string][]Step{"A": {{180, warn}, {600, urgent}}, "B": {{-1e9, urgent}, {900, warn}, {2700, calm}}}},
		},
	}
}

func linkTables() []Panel {
	return []Panel{
		{
			Title: "Whose uplink is bad", Unit: "percentunit", Width: 12, Empty: "no uplink is probed",
			Help: "The greatest loss of the last 15 min first. Above 3 % calls suffer: have large transfers stopped and the terminal's view of the sky cleared. Slow but without loss: the queue is long; limit the rate at the relay. Uses counts what the link is not good enough for.",
			Queries: []Query{
				{"A", fleet(`sort_desc(` + lossRatio + `{CHOSEN})`), "lost"},
				{"B", fleet(`max BY (candlemark_link_rtt_p95_seconds{CHOSEN,section="uplink"})`), "round trip p95"},
				{"C", fleet(`min BY (candlemark_link_up{CHOSEN,section="uplink"})`), "answers (0 no, 1 yes)"},
				{"D", fleet(`sum BY (candlemark_link_fit{CHOSEN,verdict="not_good_enough"})`), "uses that fail"},
			},
			Table: &Table{SortBy: "A", Desc: true, Units: map[string]string{"B": "s", "C": "short", "D": "short"},
				Steps: map[string][]Step{"A": {{mostLoss, warn}, {0.2, urgent}}, "D": {{1, warn}}}},
		}, {
			Title: "Data used against budget", Unit: "percentunit", Width: 12, Empty: "no relay has a budget",
			Help: "The fullest first, by the day's budget. At 100 % throughput probes and forwarding wait for tomorrow, and the relay falls silent here though it is well: raise the budget, or have it send less often, before that.",
			Queries: []Query{
				{"A", fleet(`sort_desc(` + dataRatio + `{CHOSEN})`), "of the day's"},
				{"B", fleet(`max BY (candlemark_data_used_today_bytes{CHOSEN})`), "used today"},
				{"C", fleet(`max BY (candlemark_data_budget_bytes{CHOSEN})`), "day's budget"},
				{"D", fleet(`sum BY (candlemark_data_part_month_bytes{CHOSEN}) / max BY (candlemark_data_month_budget_bytes{CHOSEN})`), "of the month's"},
			},
			Table: &Table{SortBy: "A", Desc: true, Units: map[string]string{"B": "decbytes", "C": "decbytes"},
				Steps: map[string][]Step{"A": {{fullBudget, warn}, {1, urgent}}, "D": {{fullBudget, warn}, {1, urgent}}}},
		}, {
			Title: "Open alarms", Unit: "short", Width: 24, Empty: "none, of the relays that are heard",
			Help: "Each alarm that is open, by relay, with how many of its subjects are concerned and whether somebody there has acknowledged it. Not acknowledged and critical: call. What each means and asks for is in the page on alarms of the documents.",
			Queries: []Query{
				{"A", fleet(alarmOpen + `{CHOSEN}`), "open"},
				{"B", fleet(`sum by (relay, site, incident, alarm) (candlemark_alarm_acknowledged{CHOSEN})`), "acknowledged"},
			},
			// critical, notice, warning: by the alphabet the critical come first.
			Table: &Table{SortBy: "severity"},
		},
	}
}

// fleetGraphs are over time, where counting relays anew for each point would be
// slow: they add up what the rules counted for each site.
func fleetGraphs() []Panel {
	const within = `{site=~"$site",incident=~"$incident"}`
	const narrowed = " By site and incident; the choice of relays does not narrow it."
	return []Panel{
		{
			Title: "Heard and silent", Unit: "short", Width: 8, Empty: silent,
			Help: "How many relays were heard, and how many had fallen silent. Many that fall silent together share a cause: the receiver here, the service in the sky, the weather." + narrowed,
			Queries: []Query{
				{"A", `sum(` + heardCount + within + `) or vector(0)`, "heard"},
				{"B", `sum(` + silentCount + within + `) or vector(0)`, "silent"},
			},
		}, {
			Title: "Open alarms by severity", Unit: "short", Width: 8, Empty: silent,
			Help: "How many alarms were open. A rise that does not fall again within the time a pack takes to arrive: more packs or more hands are needed." + narrowed,
			Queries: []Query{
				{"A", `sum(` + alarmCount + `{severity="critical",site=~"$site",incident=~"$incident"}) or vector(0)`, "critical"},
				{"B", `sum(` + alarmCount + `{severity="warning",site=~"$site",incident=~"$incident"}) or vector(0)`, "warning"},
				{"C", `sum(` + alarmCount + `{severity="notice",site=~"$site",incident=~"$incident"}) or vector(0)`, "notice"},
			},
		}, {
			Title: "Relays that may run out", Unit: "short", Width: 8, Empty: silent,
			Help: "How many relays may have a pack at its cut-off within one and within three hours. Have at least as many charged packs on the way." + narrowed,
			Queries: []Query{
				{"A", `sum(` + outCount + `{within="1h",site=~"$site",incident=~"$incident"}) or vector(0)`, "within 1 h"},
				{"B", `sum(` + outCount + `{within="3h",site=~"$site",incident=~"$incident"}) or vector(0)`, "within 3 h"},
			},
		},
	}
}
