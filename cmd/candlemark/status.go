package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"candlemark/agent/alarm"
	"candlemark/agent/control"
	"candlemark/agent/pack"
	"candlemark/agent/status"
	"candlemark/probes/quality"
)

func newStatus() *cobra.Command {
	var full bool
	cmd := &cobra.Command{
		Use:   "status",
		Short: "Show what the running agent knows now",
		Long: `status shows what the running agent knows now: alarms first, with what to do, then
packs, probes, data, and what the link is good enough for.`,
		Example: "  candlemark status\n  candlemark status --full\n  candlemark status --format json",
		Args:    noArgs,
	}
	socket := socketFlag(cmd)
	f := formatFlag(cmd, formatText, formatJSON)
	cmd.Flags().BoolVar(&full, "full", false, "also what was measured for each use of the link, and what is needed")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		var s status.Snapshot
		err := talk(cmd.Context(), *socket, func(ctx context.Context, c *control.Client) (err error) {
			s, err = c.Snapshot(ctx)
			return err
		})
		if err != nil {
			return err
		}
		if *f == formatJSON {
			return printJSON(cmd.OutOrStdout(), *f, s)
		}
		printStatus(cmd.OutOrStdout(), s, full)
		return nil
	}
	return cmd
}

// printStatus is status for people. Alarms stand first: on a small screen the rest
// scrolls them away.
func printStatus(w io.Writer, s status.Snapshot, full bool) {
	clock := ""
	if !s.ClockSet {
		clock = " (the board's clock is not set)"
	}
	fmt.Fprintf(w, "relay %s  %s%s\n", s.Relay, s.Taken.Wall.Local().Format("2006-01-02 15:04:05 MST"), clock)
	if s.Feed != nil {
		if f, off := s.FeedOff(s.Feed.Pack); off {
			fmt.Fprintf(w, "TERMINAL OFF %s: no link until then\n", offUntil(f, s))
		}
	}
	printAlarms(w, s)
	for _, p := range s.Packs {
		line := packLine(p, s.Taken.Up)
		if f, off := s.FeedOff(p.Name); off && p.Forecast.Known && p.Forecast.Expected > 0 && !p.Stale {
			line += whileOff(f, s)
		}
		fmt.Fprintf(w, "pack %-14s %s\n", p.Name, line)
	}
	for _, t := range s.Targets {
		fmt.Fprintf(w, "%-6s %-12s %s\n", t.Section, t.Name, targetLine(t))
	}
	if s.Feed != nil {
		fmt.Fprintf(w, "feed   %-12s %s\n", s.Feed.Pack, feedLine(*s.Feed, s))
	}
	if s.Forward != nil {
		fmt.Fprintf(w, "sent   %s\n", forwardLine(*s.Forward, s.Taken.Wall))
	}
	fmt.Fprintf(w, "data   %s\n", dataLine(s.Data))
	if s.Energy.Measured > 0 {
		fmt.Fprintf(w, "probes %s\n", energyLine(s.Energy))
	}
	if v := s.Survey; v != nil {
		fmt.Fprintf(w, "survey %s: %d of %d rounds made; %s\n", v.Name, v.Made, v.Of, v.Text)
	}
	if t := s.Trouble; t.Known {
		fmt.Fprintf(w, "link   %s\n", troubleLine(t))
	}
	printFit(w, s.Fit, full)
}

func printAlarms(w io.Writer, s status.Snapshot) {
	if len(s.Alarms) == 0 {
		fmt.Fprintln(w, "no alarm")
	}
	for _, a := range s.Alarms {
		switch a.Name {
		case alarm.ShutTerminalDown, alarm.BringNextPack: // order and time first, statistics last
			fmt.Fprintf(w, "%s %s: %s\n  because: %s\n", a.Severity, alarm.Label(a), a.Action, a.Title)
		default:
			fmt.Fprintf(w, "%s %s: %s\n  do: %s\n", a.Severity, a.Name, a.Title, a.Action)
		}
		if k := a.Acknowledged; k != nil {
			fmt.Fprintf(w, "  acknowledged by %s %s ago, quiet for %s more\n", k.Who, alarm.Exact(s.Taken.Up-k.At.Up), alarm.Exact(k.Until-s.Taken.Up))
		}
	}
}

// offUntil says until when the feed is off.
func offUntil(f status.Feed, s status.Snapshot) string {
	at, known := s.FeedChange()
	switch {
	case known:
		return "until " + at.Local().Format("15:04 MST") + " (" + pack.Left(f.ChangeIn) + ")"
	case f.ChangeKnown:
		return "for " + pack.Left(f.ChangeIn) + " more"
	}
	return "until the pack is swapped, charged, or the operator switches it on"
}

// whileOff says of which load the time left is, and what is left of it once the
// terminal is back.
func whileOff(f status.Feed, s status.Snapshot) string {
	text := ", at the present load, terminal off"
	if !f.AfterKnown {
		return text
	}
	back := "once it is back on"
	if at, known := s.FeedChange(); known {
		back = "back on at " + at.Local().Format("15:04")
	}
	return fmt.Sprintf("%s; %s, about %s more (%s to %s) at %.1f W", text, back, pack.Left(f.After.Expected), pack.Left(f.After.Low), pack.Left(f.After.High), f.After.MeanW)
}

// feedLine is the feed with the time of day of its next change.
func feedLine(f status.Feed, s status.Snapshot) string {
	if at, known := s.FeedChange(); known {
		return fmt.Sprintf("%s, at %s", f.Text, at.Local().Format("15:04:05"))
	}
	return f.Text
}

// dataLine is the use of the data budgets, by part.
func dataLine(d status.Data) string {
	of := func(used, budget int64, when string) string {
		if budget <= 0 {
			return fmt.Sprintf("%.1f MB %s (no limit)", float64(used)/1e6, when)
		}
		return fmt.Sprintf("%.1f of %.0f MB %s", float64(used)/1e6, float64(budget)/1e6, when)
	}
	line := of(d.UsedToday, d.BudgetPerDay, "today")
	for _, p := range d.Parts {
		if p.Day > 0 {
			line += fmt.Sprintf(", %s %.1f", strings.ReplaceAll(p.Name, "_", " "), float64(p.Day)/1e6)
		}
	}
	return line + "; " + of(d.UsedMonth, d.BudgetPerMonth, "this month")
}

// energyLine is what the day's probes cost the packs.
func energyLine(e status.Energy) string {
	line := fmt.Sprintf("%.3f Wh over idle today (%d measured, %d not)", e.TodayWh, e.Measured, e.Unmeasured)
	if e.PacksKnown {
		line += fmt.Sprintf(", %.1f %% of the packs' %.0f Wh", 100*e.TodayWh/e.PacksWh, e.PacksWh)
	}
	if e.Stretch > 1 {
		line += fmt.Sprintf("; periods x %.1f as the pack runs down", e.Stretch)
	}
	return line
}

// forwardLine says how the sending of metrics goes.
func forwardLine(f status.Forward, now time.Time) string {
	line := fmt.Sprintf("%d samples sent on, %s waiting", f.Sent, count(f.Waiting, "gathering"))
	switch age, known := f.BacklogAge(now); {
	case f.Waiting == 0:
	case known:
		line += ", the oldest " + alarm.Exact(age) + " old"
	default:
		line += ", since when is not known"
	}
	if lost := f.Lost(); lost > 0 {
		line += fmt.Sprintf("; %d given up (%d refused, %d undated, %d expired, %d invalid)", lost, f.Refused, f.Undated, f.Expired, f.Invalid)
	}
	if !f.LastSent.IsZero() {
		line += "; last taken at " + f.LastSent.Local().Format("15:04:05")
	}
	if f.LastError != "" {
		line += "; last request: " + f.LastError
	}
	if f.Held != "" {
		line += "; held: " + f.Held
	}
	return line
}

// troubleLine says where a fault of the link lies, with the evidence.
func troubleLine(t status.Trouble) string {
	line := "no fault seen"
	switch {
	case t.Place == quality.PlaceUnsure && t.Shown:
		line = "something is wrong, but not where"
	case t.Shown:
		line = "FAULT: " + string(t.Place)
	}
	if t.Evidence != "" {
		line += ": " + t.Evidence
	}
	if t.Because != "" {
		line += "; " + t.Because
	}
	return line
}

// packLine is one pack on one line.
func packLine(p status.Pack, now time.Duration) string {
	if !p.ReadingKnown {
		if p.LastError != "" {
			return "no reading: " + p.LastError
		}
		return "no reading yet"
	}
	line := fmt.Sprintf("%.2f V  %.2f A  %.1f W", p.Reading.PackV, unsigned(p.Reading.PackA), unsigned(p.Reading.PackW()))
	if p.Reading.Clipped {
		line += " (clipped: the true current is higher)"
	}
	if p.Stale {
		line += fmt.Sprintf("  STALE, %s old", (now - p.ReadingUp).Round(time.Second))
	}
	return line + "  " + remaining(p.Forecast)
}

// unsigned drops the sign of what prints as zero.
func unsigned(x float64) float64 {
	if math.Abs(x) < 0.005 {
		return 0
	}
	return x
}

// remaining says in words what a forecast says.
func remaining(f pack.Forecast) string {
	switch {
	case f.State == pack.Unknown && f.Why != "":
		return "time left unknown, " + f.Why
	case !f.Known && f.Why != "":
		return fmt.Sprintf("%s: time left unknown, %s", f.State, f.Why)
	case !f.Known:
		return fmt.Sprintf("%s: time left unknown", f.State)
	case f.Expected == 0:
		return "at cut-off"
	}
	return fmt.Sprintf("%s left (%s to %s, 9 in 10)", pack.Left(f.Expected), pack.Left(f.Low), pack.Left(f.High))
}
