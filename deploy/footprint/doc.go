// Package footprint measures what the agent costs the board in memory and in
// processor time, against
// the least that an exporter can cost: a program with client_golang's default
// collectors and nothing else (bare). The agent is measured at work: it forecasts
// a pack of which it has learned two discharges, and probes two targets. Run it with
//
//	go test -bench . -run - ./deploy/footprint
//
// Limits: anonymous resident memory as the kernel counts it (RssAnon in
// /proc/PID/status), at the default settings of the garbage collector, on the
// machine that runs it; the collector's moment adds some tenths of a megabyte.
// Processor time is user and system time of /proc/PID/stat, in hundredths of a
// second, as a share of one core of that machine. It is judged only where
// CANDLEMARK_LONG is set, for then it is averaged over five minutes.
package footprint
