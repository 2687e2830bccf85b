package main

import (
	"fmt"
	"io"
	"strings"
	"time"

	"candlemark/agent/status"
	"candlemark/probes"
	"candlemark/probes/quality"
)

// printFit says what the link is good enough for; in full with what was measured
// beside what is needed.
func printFit(w io.Writer, verdicts []quality.Verdict, full bool) {
	for _, v := range verdicts {
		fmt.Fprintf(w, "fit    %-20s %s: %s\n", v.Use, v.Word, v.Because)
		if !full {
			continue
		}
		for _, l := range v.Lines {
			fmt.Fprintf(w, "         %s: %s, needed %s (%s): %s\n", l.What, l.Measured, l.Need, l.Source, l.Word)
		}
	}
	if many := quality.Either(verdicts); many != "" {
		fmt.Fprintf(w, "fit    %-20s %s\n", "how many", many)
	}
}

// targetLine is one target on one line.
func targetLine(t status.Target) string {
	if t.LastError != "" && (!t.LastKnown || t.LastOld) {
		return "not measured: " + t.LastError
	}
	if !t.LastKnown {
		if t.NotRun != "" {
			return "not measured yet: " + t.NotRun
		}
		return "not measured yet"
	}
	var parts []string
	switch r := t.Last; {
	case r.Latency != nil:
		parts = latencyParts(r.Latency)
	case r.Throughput != nil:
		parts = throughputParts(r.Throughput)
	case r.Service != nil && r.Service.Works:
		parts = []string{fmt.Sprintf("works, done in %.0f ms", ms(r.Elapsed))}
	case r.Service != nil:
		parts = []string{"DOES NOT WORK: " + r.Service.Problem}
	}
	if t.LastError != "" {
		parts = append(parts, "in part not measured: "+t.LastError)
	}
	if t.NotRun != "" {
		parts = append(parts, "held back: "+t.NotRun)
	}
	return strings.Join(parts, "  ")
}

func latencyParts(l *probes.LatencyStats) []string {
	if !l.RTTKnown {
		return []string{fmt.Sprintf("no answer, %d of %d lost", l.Lost, l.Sent)}
	}
	line := fmt.Sprintf("%.1f ms round trip (95 %% under %.1f), %d of %d lost", ms(l.Median), ms(l.P95), l.Lost, l.Sent)
	for _, d := range []struct {
		name string
		of   *probes.Direction
	}{{"away", l.Forth}, {"back", l.Back}} {
		if d.of != nil && d.of.LossKnown {
			line += fmt.Sprintf(", %s %d of %d", d.name, d.of.Lost, d.of.Sent)
		}
	}
	return []string{line}
}

func throughputParts(x *probes.ThroughputStats) (parts []string) {
	for _, d := range []struct {
		name  string
		bitS  float64
		known bool
		more  *probes.Transfer
	}{{"down", x.Down, x.DownKnown, x.DownDetail}, {"up", x.Up, x.UpKnown, x.UpDetail}} {
		if !d.known {
			continue
		}
		part := fmt.Sprintf("%s %.1f Mbit/s", d.name, d.bitS/1e6)
		if d.more != nil && d.more.Loaded != nil && d.more.Loaded.RTTKnown {
			part += fmt.Sprintf(" (%.1f ms round trip meanwhile)", ms(d.more.Loaded.Median))
		}
		if d.more != nil {
			if d.more.LoadedWhy != "" {
				part += fmt.Sprintf(" (nothing under load: %s)", d.more.LoadedWhy)
			}
			if r, ok := quality.Respond(d.more.Working); ok {
				part += fmt.Sprintf(" (responsiveness %.0f a minute, %s)", r.RPM, r.Band)
			}
		}
		parts = append(parts, part)
	}
	return parts
}

func ms(d time.Duration) float64 { return float64(d) / float64(time.Millisecond) }
