package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"candlemark/agent"
	"candlemark/agent/alarm"
	"candlemark/agent/clock/board"
	"candlemark/agent/handover"
	"candlemark/agent/journal"
	"candlemark/agent/pack"
	"candlemark/agent/plan"
	"candlemark/agent/plan/planfile"
	"candlemark/agent/status"
)

const formatMarkdown format = "md" // reads well as plain text

func newHandover() *cobra.Command {
	var since time.Duration
	var operational, full bool
	var out, planPath string
	var by handover.Preparer
	cmd := &cobra.Command{
		Use:   "handover",
		Short: "One page for the next crew: what is in service, what happened, what runs out when",
		Long: `handover makes the page by which one crew hands the link to the next: how long it
stays up and when to swap, what was measured with its count and age, what changed
and when, alarms, weak points, hazards, and what is not known. It fits one sheet,
A4 or Letter, unless --full is given.

With --plan the agent's measured load is put to the packs on hand that the plan
lists; a feed of the plan belongs to the agent's pack of the same name.

Notes that begin with one of these words stand in their own place on the page:
arrangement, fed, objective, weak, hazard, unknown, resources. For example
candlemark note "hazard: cable crosses the ambulance drive".`,
		Example: `  candlemark handover --since 12h
  candlemark handover --operational-period --plan plan.yaml --prepared-by "A. Operator" --position COML --out page.html`,
		Args: noArgs,
	}
	cmd.Flags().DurationVar(&since, "since", 0, "log of this `TIME` back; left out: 12h")
	cmd.Flags().BoolVar(&operational, "operational-period", false, "log of the incident's operational period")
	cmd.Flags().BoolVar(&full, "full", false, "everything, on as many sheets as it takes")
	cmd.Flags().StringVar(&out, "out", "", "write to `FILE`; .html, .md or .json sets the format")
	cmd.Flags().StringVar(&planPath, "plan", "", "plan `FILE` with the packs on hand")
	cmd.Flags().StringVar(&by.Name, "prepared-by", "", "`NAME` of who prepared it")
	cmd.Flags().StringVar(&by.Position, "position", "", "his or her `POSITION`")
	cmd.Flags().StringVar(&by.Agency, "agency", "", "his or her home `AGENCY`")
	r := reachFlags(cmd)
	f := formatFlag(cmd, formatMarkdown, formatHTML, formatJSON)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		if since < 0 || since > 0 && operational {
			return usageError{errors.New("give one of --since, with a time above zero, and --operational-period")}
		}
		form, err := formByName(out, *f, cmd.Flags().Changed("format"))
		if err != nil {
			return usageError{err}
		}
		p, err := r.picture(cmd.Context(), false)
		if err != nil {
			return err
		}
		in := p.input(time.Now())
		in.Preparer, in.Full = by, full || form == formatJSON
		if err := span(&in, since, operational); err != nil {
			return err
		}
		if err := withPlan(&in, planPath, cmd.InOrStdin()); err != nil {
			return err
		}
		page := handover.Build(in)
		var b bytes.Buffer
		if err := render(&b, page, form); err != nil {
			return err
		}
		if out == "" {
			_, err := b.WriteTo(cmd.OutOrStdout())
			return err
		}
		if err := os.WriteFile(out, b.Bytes(), 0o644); err != nil {
			return fmt.Errorf("handover page: %w", err)
		}
		fmt.Fprintf(cmd.OutOrStdout(), "%s.\nwritten to %s\n", page.Endurance.Answer, out)
		return nil
	}
	return cmd
}

func render(w io.Writer, p handover.Page, f format) error {
	switch f {
	case formatHTML:
		return handover.HTML(w, p)
	case formatJSON:
		return printJSON(w, f, p)
	}
	return handover.Markdown(w, p)
}

// formByName takes the format from the file's name where none was asked for.
func formByName(out string, asked format, given bool) (format, error) {
	if out == "" || given {
		return asked, nil
	}
	switch ext := strings.ToLower(filepath.Ext(out)); ext {
	case ".html", ".htm":
		return formatHTML, nil
	case ".md":
		return formatMarkdown, nil
	case ".json":
		return formatJSON, nil
	}
	return asked, fmt.Errorf("--out %s: name it .html, .md or .json, or give --format", out)
}

func (p picture) input(now time.Time) handover.Input {
	if taken := p.snapshot.Taken.Wall; p.live && taken.After(now) {
		now = taken.In(now.Location()) // a demonstration runs ahead of the clock
	}
	return handover.Input{
		Incident: p.incident, Snapshot: p.snapshot, Live: p.live, Records: p.records, Earlier: p.earlier, Boot: p.boot,
		Now: now, Up: board.Uptime(), ClockSet: p.clockSet,
	}
}

// defaultSince is a shift.
const defaultSince = 12 * time.Hour

func span(in *handover.Input, since time.Duration, operational bool) error {
	if operational {
		if in.Incident.From.IsZero() {
			return errors.New("the incident has no operational period; set it with candlemark incident change --from --to, or use --since")
		}
		in.Since, in.Until, in.SinceWhy = in.Incident.From, in.Incident.To, "operational period"
		return nil
	}
	if since == 0 {
		since = defaultSince
	}
	in.Since, in.SinceWhy = in.Now.Add(-since), "last "+plan.Span(since)
	return nil
}

// withPlan puts the measured loads to the plan's packs on hand, and finds the
// cautions that go with what is in use.
func withPlan(in *handover.Input, path string, stdin io.Reader) error {
	if path == "" {
		in.Cautions = equipment(in.Snapshot).Evaluate().Cautions
		return nil
	}
	data, name, err := readPlan(path, stdin)
	if err != nil {
		return err
	}
	p, err := planfile.Parse(data, name)
	if err != nil {
		return err
	}
	report := p.Evaluate()
	in.Cautions, in.Arrangement = report.Cautions, report.Recommended
	duty, err := measuredDuty(p, report, in.Snapshot, in.Now)
	if err != nil {
		in.DutyWhy = err.Error()
		return nil
	}
	in.Duty = &duty
	return nil
}

// measuredDuty is the plan's rotation with what the agent measures put in. Every
// feed must be measured: a page must not mix a load that was planned with one
// that was seen and call it measured.
func measuredDuty(p plan.Plan, report plan.Report, s status.Snapshot, now time.Time) (plan.Duty, error) {
	d, err := p.Duty(report, report.Recommended, now)
	if err != nil {
		return d, err
	}
	for _, draw := range d.Draws {
		at := slices.IndexFunc(s.Packs, func(x status.Pack) bool { return x.Name == draw.Feed })
		if at < 0 && len(d.Draws) == 1 && len(s.Packs) == 1 {
			at = 0
		}
		if at < 0 {
			return d, fmt.Errorf("no pack of the agent is named like the plan's feed %q; name its load as the agent names the pack", draw.Feed)
		}
		x := s.Packs[at]
		f := x.Forecast
		switch {
		case x.Stale || !x.ReadingKnown:
			return d, fmt.Errorf("pack %s has no fresh reading", x.Name)
		case !f.Known || f.State != pack.Discharging:
			return d, fmt.Errorf("pack %s: time left unknown, %s", x.Name, f.Why)
		case x.Reading.Clipped:
			return d, fmt.Errorf("pack %s: the current is clipped, so the load is not known", x.Name)
		}
		if d, err = d.Measured(draw.Feed, f.LoadW, f.Expected, f.Low); err != nil {
			return d, err
		}
	}
	return d, nil
}

// equipment is the packs in use as a plan, for its cautions.
func equipment(s status.Snapshot) plan.Plan {
	a := plan.Arrangement{Name: "in use"}
	load := []plan.Element{plan.Load{Name: "load", PowerW: 1, Duty: 1}} // a feed without one is none
	for _, p := range s.Packs {
		a.Feeds = append(a.Feeds, plan.Feed{Path: load, Source: plan.Source{
			Name: p.Name, Kind: plan.PackSource, Chemistry: p.Spec.Chemistry, SeriesCells: p.Spec.SeriesCells, FullV: p.Spec.FullV,
			CutoffV: p.Spec.CutoffV, CapacityAh: p.Spec.CapacityAh, Count: 1, Together: 1, TempC: p.Reading.TempC, TempKnown: p.Reading.TempKnown,
			OwnCutoff: true, // not known; the caution of a pack without one is the plan's to give
		}})
	}
	// The page says when a generator must be there, and so how to run it.
	a.Feeds = append(a.Feeds, plan.Feed{Path: load, Source: plan.Source{Name: "generator", Kind: plan.Generator, SupplyV: 230}})
	return plan.Plan{Arrangements: []plan.Arrangement{a}}
}

// alarmsIn reads the alarms that were open when the agent stopped.
func alarmsIn(j *journal.Journal) ([]alarm.Active, error) {
	var saved alarm.Saved
	if ok, err := j.State(agent.KeyAlarms, &saved); err != nil || !ok {
		return nil, err
	}
	return alarm.Resume("", saved).Active(), nil
}
