package metrics

import (
	"fmt"
	"strings"
)

// Type is a family's type in the exposition format.
type Type string

const (
	Gauge     Type = "gauge"
	Counter   Type = "counter"
	Histogram Type = "histogram"
)

// Family describes one metric family. Every figure of the agent that leaves it
// for Prometheus is described here and nowhere else.
type Family struct {
	Name   string
	Type   Type
	Labels []string
	Help   string // one sentence: meaning, and when the series is absent
}

// id numbers the families; the descriptors of a collector are indexed by it.
type id int

const (
	buildInfo id = iota
	relayInfo
	startTime
	stepTime
	snapshotTime
	clockSet
	linkTrouble

	packVoltage
	packVoltageError
	packCurrent
	packCurrentError
	packCurrentClipped
	packPower
	packPowerError
	packTemperature
	packReadingTime
	packDischargedCoulombs
	packDischargedJoules
	packSwaps
	packState
	packRuntime
	packRuntimeLow
	packRuntimeHigh
	packRuntimeCautious
	packLeadNextPack
	packLeadShutDown
	packCharge
	packCapacity
	packRatedCapacity
	packResistance
	packLoad
	packCutoff

	sensorInfo
	sensorUp
	sensorSettingsFault
	sensorReads
	sensorErrors
	sensorRepairs

	linkUp
	linkRTTMin
	linkRTTMedian
	linkRTTP95
	linkJitter
	linkIPDV
	linkPDV
	linkLoss
	linkSent
	linkLost
	linkDown
	linkUpload
	linkIdleRTT
	linkRTT
	linkLossLow
	linkLossHigh
	linkWaySent
	linkWayLost
	linkWayLoss
	linkWayJitter
	linkWayIPDV
	linkWayPDV
	linkRateError
	linkSpentBytes
	linkSpentTime
	linkLoadedMedian
	linkLoadedP95
	linkResponsiveness
	linkRequestDelay
	linkEfficiency
	linkBufferDelay
	linkTimeRatio
	linkBDP
	linkFit
	linkFitUsers

	serviceUp
	serviceTime
	serviceStep

	probeAttempts
	probeFailures
	probeLastTime
	probeBytes
	probeTime
	probeHeld
	probeEnergy
	probeEnergyError

	pagesOpen
	pagesRefused
	pagesDropped
	dataUsed
	dataBudget
	dataMonthBudget
	dataDay
	dataMonth
	dataLeft
	energyToday
	energyShare
	probeStretch

	alarmActive
	alarmAcknowledged

	feedOn
	feedSwitched
	feedMode
	feedChange
	feedCuts

	notifyAttempts
	notifyFailures
	notifyDropped
	notifyWaiting

	journalSyncTime
	journalPending
	journalFailing
	journalDropped

	forwardSent
	forwardDropped
	forwardWaiting
	forwardBacklogAge
	forwardAnswerTime
	forwardRequests
	forwardFailures
	forwardBytes

	familyCount
)

// families is the table of all families, indexed by id. A function, so that
// nobody can change it.
func families() [familyCount]Family {
	var (
		onPack   = []string{"pack"}
		onTarget = []string{"target", "section"}
		onProbe  = []string{"target", "section", "kind"}
		onRecv   = []string{"receiver"}
		onPart   = []string{"part"}
		onWay    = []string{"target", "section", "direction"} // forward and backward, or down and up
	)
	return [familyCount]Family{
		buildInfo:    {"candlemark_build_info", Gauge, []string{"version", "revision", "goversion", "platform"}, "Always 1; the labels say which build runs."},
		relayInfo:    {"candlemark_relay_info", Gauge, []string{"name", "site"}, "Always 1; the labels are the relay's name and site as configured on the board."},
		startTime:    {"candlemark_agent_start_timestamp_seconds", Gauge, nil, "When the agent started, by the board's clock at that moment (Unix time). Absent when not known."},
		stepTime:     {"candlemark_agent_step_time_seconds", Gauge, nil, "The agent's own time line at its last step. It only moves forward and knows nothing of the wall clock; standing still means that the agent hangs."},
		snapshotTime: {"candlemark_agent_clock_timestamp_seconds", Gauge, nil, "What the board's clock said at the last step (Unix time). Compare with the time of the scrape to see how far it is off."},
		linkTrouble:  {"candlemark_link_trouble", Gauge, []string{"place"}, "1 for where a fault of the link lies as far as the probes show (none, local_hop, uplink, both, cannot_tell), 0 for the others; absent until hop and uplink were probed."},
		clockSet:     {"candlemark_agent_clock_set", Gauge, nil, "1 when the board's clock is believed to be set, 0 when not."},

		packVoltage:            {"candlemark_pack_voltage_volts", Gauge, onPack, "Voltage at the pack's terminals. Absent without a fresh reading."},
		packVoltageError:       {"candlemark_pack_voltage_error_volts", Gauge, onPack, "Worst-case error of the voltage, plus or minus. Absent without a fresh reading."},
		packCurrent:            {"candlemark_pack_current_amperes", Gauge, onPack, "Current, positive while the pack discharges. Absent without a fresh reading."},
		packCurrentError:       {"candlemark_pack_current_error_amperes", Gauge, onPack, "Worst-case error of the current, plus or minus. Absent without a fresh reading."},
		packCurrentClipped:     {"candlemark_pack_current_clipped", Gauge, onPack, "1 when the sensor is at the end of its range, so that the true current is at least the one shown. Absent without a fresh reading."},
		packPower:              {"candlemark_pack_power_watts", Gauge, onPack, "Power, positive while the pack discharges. Absent without a fresh reading."},
		packPowerError:         {"candlemark_pack_power_error_watts", Gauge, onPack, "Worst-case error of the power, plus or minus. Absent without a fresh reading."},
		packTemperature:        {"candlemark_pack_temperature_celsius", Gauge, onPack, "Temperature of the pack. Absent when not measured."},
		packReadingTime:        {"candlemark_pack_reading_timestamp_seconds", Gauge, onPack, "When the last good reading ended (Unix time by the board's clock). Absent before the first."},
		packDischargedCoulombs: {"candlemark_pack_discharged_coulombs_total", Counter, onPack, "Charge drawn from the pack since the agent started. 3600 coulombs are 1 Ah."},
		packDischargedJoules:   {"candlemark_pack_discharged_joules_total", Counter, onPack, "Energy drawn from the pack since the agent started; its rate is the mean power in watts. 3600 joules are 1 Wh."},
		packSwaps:              {"candlemark_pack_swaps_total", Counter, onPack, "Pack swaps seen or declared since the agent started."},
		packState:              {"candlemark_pack_state", Gauge, []string{"pack", "state"}, "1 for the state that the pack is in, 0 for the others."},
		packRuntime:            {"candlemark_pack_runtime_seconds", Gauge, onPack, "Expected time until the pack reaches its cut-off under load. Absent while not known, charging or resting."},
		packRuntimeLow:         {"candlemark_pack_runtime_low_seconds", Gauge, onPack, "Low end of the central 90 % interval of the remaining time. Absent with the expected time."},
		packRuntimeHigh:        {"candlemark_pack_runtime_high_seconds", Gauge, onPack, "High end of the central 90 % interval of the remaining time. Absent with the expected time."},
		packRuntimeCautious:    {"candlemark_pack_runtime_cautious_seconds", Gauge, onPack, "The cautious remaining time that the alarms are compared with (2 % quantile). Absent with the expected time."},
		packLeadNextPack:       {"candlemark_pack_next_pack_lead_seconds", Gauge, onPack, "The alarm bring_next_pack is raised when the cautious time falls to this."},
		packLeadShutDown:       {"candlemark_pack_shut_down_lead_seconds", Gauge, onPack, "The alarm shut_terminal_down is raised when the cautious time falls to this."},
		packCharge:             {"candlemark_pack_charge_ratio", Gauge, onPack, "Charge left above the cut-off, 0 to 1. Absent while not known."},
		packCapacity:           {"candlemark_pack_capacity_coulombs", Gauge, onPack, "Usable capacity as estimated at present conditions. 3600 coulombs are 1 Ah. Absent while not known."},
		packRatedCapacity:      {"candlemark_pack_rated_capacity_coulombs", Gauge, onPack, "Capacity on the pack's label. 3600 coulombs are 1 Ah."},
		packResistance:         {"candlemark_pack_resistance_ohms", Gauge, onPack, "Series resistance of the pack as estimated. Absent while not known."},
		packLoad:               {"candlemark_pack_load_watts", Gauge, onPack, "Mean power that the remaining time assumes. Absent with the expected time."},
		packCutoff:             {"candlemark_pack_cutoff_volts", Gauge, onPack, "Cut-off voltage of the pack under the assumed load. Absent with the expected time."},

		sensorInfo:          {"candlemark_sensor_info", Gauge, []string{"pack", "sensor"}, "Always 1; names the sensor that reads the pack."},
		sensorUp:            {"candlemark_sensor_up", Gauge, onPack, "1 when the last read of the pack's sensor succeeded and is fresh, 0 when not."},
		sensorSettingsFault: {"candlemark_sensor_settings_fault", Gauge, onPack, "1 when the sensor reports that its settings do not fit the load. Absent without a fresh reading."},
		sensorReads:         {"candlemark_sensor_reads_total", Counter, onPack, "Reads of the sensor attempted since the agent started."},
		sensorErrors:        {"candlemark_sensor_errors_total", Counter, onPack, "Exchanges with the sensor that failed or gave what cannot be, those that a retry mended too."},
		sensorRepairs:       {"candlemark_sensor_repairs_total", Counter, onPack, "Times the sensor was found to have lost its settings and was set up again."},

		linkUp:        {"candlemark_link_up", Gauge, onTarget, "1 when the last burst had at least one answer, 0 when it had none. Absent while that could not be measured."},
		linkRTTMin:    {"candlemark_link_rtt_min_seconds", Gauge, onTarget, "Least round-trip time of the last burst. Absent without an answer."},
		linkRTTMedian: {"candlemark_link_rtt_median_seconds", Gauge, onTarget, "Median round-trip time of the last burst. Absent without an answer."},
		linkRTTP95:    {"candlemark_link_rtt_p95_seconds", Gauge, onTarget, "95th percentile of the round-trip time of the last burst. Absent without an answer."},
		linkJitter:    {"candlemark_link_jitter_seconds", Gauge, onTarget, "RFC 3550 interarrival jitter, formed from round trips. Absent with fewer than two answers."},
		linkIPDV:      {"candlemark_link_ipdv_mean_abs_seconds", Gauge, onTarget, "RFC 3393 packet-to-packet delay variation, mean of absolute values, formed from round trips. Absent with fewer than two answers."},
		linkPDV:       {"candlemark_link_pdv_p95_seconds", Gauge, onTarget, "RFC 5481 delay above the least, 95th percentile, formed from round trips. Absent with fewer than two answers."},
		linkLoss:      {"candlemark_link_loss_ratio", Gauge, onTarget, "Share of the last burst's packets that had no answer, 0 to 1. Absent while that could not be measured."},
		linkSent:      {"candlemark_link_packets_sent_total", Counter, onTarget, "Latency packets sent since the agent started."},
		linkLost:      {"candlemark_link_packets_lost_total", Counter, onTarget, "Latency packets without an answer since the agent started."},
		linkDown:      {"candlemark_link_download_bytes_per_second", Gauge, onTarget, "Payload rate towards the relay in the last throughput probe. Absent when not measured."},
		linkUpload:    {"candlemark_link_upload_bytes_per_second", Gauge, onTarget, "Payload rate away from the relay in the last throughput probe. Absent when not measured."},
		linkIdleRTT:   {"candlemark_link_idle_rtt_seconds", Gauge, onTarget, "Round-trip time to the throughput server before the transfer. Absent when not measured."},

		linkRTT:            {"candlemark_link_rtt_seconds", Histogram, onTarget, "Round-trip times of all bursts since the agent started, in 16 buckets, which with sum and count make 18 series for each target. Lost packets are in none. Absent before the first answer."},
		linkLossLow:        {"candlemark_link_loss_low_ratio", Gauge, onTarget, "Low end of the 95 % Wilson interval of the last burst's loss. Absent while that could not be measured."},
		linkLossHigh:       {"candlemark_link_loss_high_ratio", Gauge, onTarget, "High end of the 95 % Wilson interval of the last burst's loss. Absent while that could not be measured."},
		linkWaySent:        {"candlemark_link_direction_packets_sent_total", Counter, onWay, "STAMP packets sent in one direction (forward is away from the relay, backward towards it) since the agent started. Absent until a reflector told the directions apart."},
		linkWayLost:        {"candlemark_link_direction_packets_lost_total", Counter, onWay, "Of them those lost in that direction. Absent with the packets sent."},
		linkWayLoss:        {"candlemark_link_direction_loss_ratio", Gauge, onWay, "Share of the last burst lost in one direction. Absent where the directions could not be told apart."},
		linkWayJitter:      {"candlemark_link_direction_jitter_seconds", Gauge, onWay, "RFC 3550 interarrival jitter of one direction in the last burst. Absent with fewer than two arrivals, or without a reflector."},
		linkWayIPDV:        {"candlemark_link_direction_ipdv_mean_abs_seconds", Gauge, onWay, "RFC 3393 packet-to-packet delay variation of one direction in the last burst, mean of absolute values. Absent with the jitter."},
		linkWayPDV:         {"candlemark_link_direction_pdv_p95_seconds", Gauge, onWay, "RFC 5481 delay above the least, 95th percentile, of one direction in the last burst. Absent with the jitter."},
		linkRateError:      {"candlemark_link_rate_error_ratio", Gauge, onWay, "Half-width of the 95 % interval of the payload rate, as a share of it. Absent where it is not known, as with a wide-area server."},
		linkSpentBytes:     {"candlemark_link_transfer_spent_bytes", Gauge, onWay, "Data that one direction of the last transfer cost. Absent where it is only known of both together (candlemark_probe_bytes_total)."},
		linkSpentTime:      {"candlemark_link_transfer_spent_seconds", Gauge, onWay, "Time that one direction of the last transfer took. Absent with its data."},
		linkLoadedMedian:   {"candlemark_link_loaded_rtt_median_seconds", Gauge, onWay, "Median round-trip time of packets sent while one direction was loaded. Absent when not measured."},
		linkLoadedP95:      {"candlemark_link_loaded_rtt_p95_seconds", Gauge, onWay, "95th percentile of the round-trip time of packets sent while one direction was loaded. Absent when not measured."},
		linkResponsiveness: {"candlemark_link_responsiveness_per_second", Gauge, onWay, "Round trips per second under load by the IETF draft on responsiveness under working conditions; 60 times this is its RPM. Absent when not measured."},
		linkRequestDelay:   {"candlemark_link_loaded_request_seconds", Gauge, []string{"target", "section", "direction", "percentile"}, "Percentiles (50, 90, 95, 99) of the round trips of the connections that carry the load, which the responsiveness trims. Absent when not measured."},
		linkEfficiency:     {"candlemark_link_tcp_efficiency_ratio", Gauge, onWay, "Share of TCP's bytes that were not sent again in the last transfer (RFC 6349). Absent where the kernels did not tell."},
		linkBufferDelay:    {"candlemark_link_buffer_delay_ratio", Gauge, onWay, "Rise of the round trip under load over the baseline, as a share of it (RFC 6349); 0 is none. Absent when not measured."},
		linkTimeRatio:      {"candlemark_link_transfer_time_ratio", Gauge, onWay, "Actual over ideal time of the last transfer (RFC 6349). Absent without link_rate in the configuration."},
		linkBDP:            {"candlemark_link_bandwidth_delay_product_bytes", Gauge, onWay, "Payload rate times the baseline round trip (RFC 6349). Absent when either was not measured."},
		linkFit:            {"candlemark_link_fit", Gauge, []string{"use", "verdict"}, "1 for whether the link is good enough for a use (good, usable, not_good_enough, cannot_tell), 0 for the others. Absent until the uplink or a service was probed."},
		linkFitUsers:       {"candlemark_link_fit_users", Gauge, []string{"use"}, "Users of one kind that the measured rates carry at once. Absent where the rates are not known."},

		serviceUp:   {"candlemark_service_up", Gauge, onTarget, "1 when the named service did what it should at the last try, 0 when not. Absent while that could not be tried."},
		serviceTime: {"candlemark_service_duration_seconds", Gauge, onTarget, "Time that the last try of the service took in all, whether it worked or not. Absent while it could not be tried."},
		serviceStep: {"candlemark_service_step_seconds", Gauge, []string{"target", "section", "step"}, "Time of each step of the last try (resolve, connect, tls, first_byte from the start of the request). Absent for steps that were not reached."},

		probeAttempts:    {"candlemark_probe_attempts_total", Counter, onProbe, "Probes run since the agent started."},
		probeFailures:    {"candlemark_probe_failures_total", Counter, onProbe, "Probes that could not measure. Losing every packet is a measurement and is not counted here."},
		probeLastTime:    {"candlemark_probe_last_result_timestamp_seconds", Gauge, onProbe, "When the last probe that measured something ended (Unix time by the board's clock). Probes run on their own schedule, not at the scrape. Absent before the first."},
		probeBytes:       {"candlemark_probe_bytes_total", Counter, onProbe, "Data that the probes put on and took from the link, as far as known."},
		probeTime:        {"candlemark_probe_seconds_total", Counter, onProbe, "Time that the probes took."},
		probeHeld:        {"candlemark_probe_held", Gauge, onProbe, "1 while the probe is held back to save data or the pack, 0 otherwise."},
		probeEnergy:      {"candlemark_probe_energy_joules", Gauge, onProbe, "Mean energy of one probe over idle since the agent started, by the packs' own readings; noise can make it negative. 3600 joules are 1 Wh. Absent before the first that was measured."},
		probeEnergyError: {"candlemark_probe_energy_error_joules", Gauge, onProbe, "Standard error of that mean. Absent with it."},

		pagesOpen:       {"candlemark_pages_open", Gauge, nil, "Status pages that are told as things change."},
		pagesRefused:    {"candlemark_pages_refused_total", Counter, nil, "Status pages that were not told as things change for want of room; they ask instead."},
		pagesDropped:    {"candlemark_pages_dropped_total", Counter, nil, "Status pages that were dropped because they took too long to take what they were told."},
		dataUsed:        {"candlemark_data_used_today_bytes", Gauge, nil, "Data that probes of the uplink and forwarding used today, together."},
		dataBudget:      {"candlemark_data_budget_bytes", Gauge, nil, "Data that probes and forwarding may use together in a day. Absent when there is no limit."},
		dataMonthBudget: {"candlemark_data_month_budget_bytes", Gauge, nil, "Data that probes and forwarding may use together in a month. Absent when there is no limit."},
		dataDay:         {"candlemark_data_part_today_bytes", Gauge, onPart, "Data used today by part: probing, sending (metrics sent on as they come), catching_up (metrics sent on late)."},
		dataMonth:       {"candlemark_data_part_month_bytes", Gauge, onPart, "Data used this month by part."},
		dataLeft:        {"candlemark_data_left_bytes", Gauge, onPart, "Data that the part may still use now, by the tighter of the day's and the month's budget; sending and catching_up share theirs. Absent when there is no limit."},
		energyToday:     {"candlemark_probe_energy_today_joules", Gauge, nil, "Energy that the probes of the day cost over idle, by the packs' own readings; noise can make it fall. Absent before the first that was measured."},
		energyShare:     {"candlemark_probe_energy_today_ratio", Gauge, nil, "That energy as a share of what the packs hold when full, by label and present voltage. Absent when either is not known."},
		probeStretch:    {"candlemark_probe_stretch_ratio", Gauge, nil, "What the periods between heavy probes are multiplied by as the pack runs down: 1 to 4."},

		alarmActive:       {"candlemark_alarm_active", Gauge, []string{"alarm", "subject", "severity"}, "1 while the alarm is active, 0 otherwise."},
		alarmAcknowledged: {"candlemark_alarm_acknowledged", Gauge, []string{"alarm", "subject"}, "1 while the active alarm is acknowledged and quiet, 0 while it is not. Absent while it is not active."},

		feedOn:       {"candlemark_feed_on", Gauge, onPack, "1 while the terminal has power from this pack, 0 while its feed is cut; without a switch, what was advised. Absent where no feed is configured."},
		feedSwitched: {"candlemark_feed_switched", Gauge, onPack, "1 where a switch is fitted in the terminal's feed, 0 where cuts are only advised. Absent where no feed is configured."},
		feedMode:     {"candlemark_feed_mode", Gauge, []string{"pack", "mode"}, "1 for what governs the terminal's feed (on, off by request, scheduled, shed), 0 for the others. Absent where no feed is configured."},
		feedChange:   {"candlemark_feed_next_change_seconds", Gauge, onPack, "Time to the next change of the terminal's feed that is planned: the cut while it is on, the return while it is off. Absent when none is known."},
		feedCuts:     {"candlemark_feed_cuts_total", Counter, []string{"pack", "cause"}, "Cuts of the terminal's feed since the agent started, made or, without a switch, advised, by cause: request, schedule or shed. Absent where no feed is configured."},

		notifyAttempts: {"candlemark_notify_attempts_total", Counter, onRecv, "Attempts to deliver alarms."},
		notifyFailures: {"candlemark_notify_failures_total", Counter, onRecv, "Attempts to deliver alarms that failed."},
		notifyDropped:  {"candlemark_notify_dropped_total", Counter, onRecv, "Alarm messages given up because the queue was full or the receiver refused them."},
		notifyWaiting:  {"candlemark_notify_waiting_messages", Gauge, onRecv, "Alarm messages that wait for delivery."},

		journalSyncTime: {"candlemark_journal_last_sync_timestamp_seconds", Gauge, nil, "When the journal was last written to disk (Unix time by the board's clock). Absent before the first time."},
		journalPending:  {"candlemark_journal_pending_records", Gauge, nil, "Records that wait to be written to disk."},
		journalFailing:  {"candlemark_journal_failing", Gauge, nil, "1 when the last write of the journal failed, 0 otherwise."},
		journalDropped:  {"candlemark_journal_dropped_total", Counter, []string{"what"}, "What the journal could not take or keep since the agent started: records, or samples that waited to be forwarded."},

		forwardSent:       {"candlemark_forward_sent_samples_total", Counter, nil, "Samples that the receiver of forwarding took since the agent started. Absent where nothing is forwarded, like all of these."},
		forwardDropped:    {"candlemark_forward_dropped_samples_total", Counter, []string{"cause"}, "Samples that were not sent on, by cause: refused by the receiver, undated (of a boot that never learnt the time), expired (too old), invalid."},
		forwardWaiting:    {"candlemark_forward_waiting_gatherings", Gauge, nil, "Gatherings of all metrics that wait to be sent on."},
		forwardBacklogAge: {"candlemark_forward_backlog_age_seconds", Gauge, nil, "Age of the oldest gathering that waits; 0 when none does. Absent when its time is not known."},
		forwardAnswerTime: {"candlemark_forward_last_sent_timestamp_seconds", Gauge, nil, "When the receiver last took samples (Unix time by the board's clock). Absent before the first time."},
		forwardRequests:   {"candlemark_forward_requests_total", Counter, nil, "Requests sent to the receiver."},
		forwardFailures:   {"candlemark_forward_failures_total", Counter, nil, "Requests to the receiver that failed."},
		forwardBytes:      {"candlemark_forward_bytes_total", Counter, nil, "Data that forwarding put on and took from the link."},
	}
}

// Families describes every candlemark metric, in the order of the reference.
func Families() []Family {
	all := families()
	return all[:]
}

// Names is the set of the names of Families and of the series that histograms are
// made of, for tests that look for names that do not exist.
func Names() map[string]bool {
	names := make(map[string]bool, familyCount)
	for _, f := range families() {
		names[f.Name] = true
		if f.Type == Histogram {
			names[f.Name+"_bucket"], names[f.Name+"_sum"], names[f.Name+"_count"] = true, true, true
		}
	}
	return names
}

// Reference is the table of all metrics in Markdown.
func Reference() string {
	var b strings.Builder
	b.WriteString("| metric | type | labels | meaning |\n|---|---|---|---|\n")
	for _, f := range families() {
		labels := "–"
		if len(f.Labels) > 0 {
			labels = "`" + strings.Join(f.Labels, "`, `") + "`"
		}
		fmt.Fprintf(&b, "| `%s` | %s | %s | %s |\n", f.Name, f.Type, labels, f.Help)
	}
	return b.String()
}
