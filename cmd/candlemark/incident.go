package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"github.com/spf13/cobra"

	"candlemark/agent/clock/board"
	"candlemark/agent/control"
	"candlemark/agent/handover"
	"candlemark/agent/journal"
	"candlemark/agent/status"
)

// keyIncident is the journal's key of the incident last opened.
const keyIncident = "incident"

func readIncident(j *journal.Journal) (i handover.Incident, err error) {
	_, err = j.State(keyIncident, &i)
	return i, err
}

// setIncident does an action and has it on the disk before it returns.
func setIncident(j *journal.Journal, do handover.Action, given handover.Incident, at handover.Stamp, who string) (handover.Incident, error) {
	now, err := readIncident(j)
	if err != nil {
		return now, err
	}
	next, said, err := now.Apply(do, given, at)
	if err != nil {
		return now, err
	}
	r := j.Append(journal.Record{Wall: at.At, Up: board.Uptime(), Kind: journal.KindIncident, Who: who, Text: said})
	protect := next.FirstSeq
	switch do {
	case handover.Open:
		next.FirstSeq, protect = r.Seq, r.Seq
	case handover.Close:
		protect = 0
	}
	if err := errors.Join(j.PutState(keyIncident, next), j.Protect(protect), j.Flush()); err != nil {
		return now, err
	}
	return next, nil
}

func newIncident() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "incident",
		Short: "The operation's frame: open, change, close with an export, verify",
		Long: `incident keeps what the operation is about: name, number, site, who asked, whom
to call, the operational period, what people must do, and by which means if this
one fails. It heads the page that candlemark handover prints. While an incident is
open its record is never cut. Closing it writes a frozen export with checksums.`,
		Example: `  candlemark incident open --name "Alder Ford flood" --site "school gymnasium" --from 06:00 --to 18:00
  candlemark incident close --out alder-ford.zip`,
		Args: noArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(newIncidentSet(handover.Open), newIncidentSet(handover.Change), newIncidentShow(), newIncidentClose(), newIncidentExport(), newIncidentVerify())
	return cmd
}

// reach is how a command reaches the record: the agent, or the journal without one.
type reach struct{ socket, journal *string }

func reachFlags(cmd *cobra.Command) reach {
	return reach{socketFlag(cmd), cmd.Flags().String("journal", "", "use this journal `FILE` when no agent runs")}
}

// do runs live against the agent, or off on the journal when no agent runs.
func (r reach) do(ctx context.Context, live func(context.Context, *control.Client) error, off func(*journal.Journal) error) error {
	err := talk(ctx, *r.socket, live)
	switch {
	case errors.Is(err, control.ErrNoAgent) && *r.journal == "":
		return fmt.Errorf("%w, or its journal with --journal", err)
	case errors.Is(err, control.ErrNoAgent):
		// Neither reading nor writing may make an empty journal where a path is misspelt.
		if _, err := os.Stat(*r.journal); err != nil {
			return fmt.Errorf("journal: %w; name the one the agent writes, journal: in its configuration", err)
		}
		return offline(*r.journal, off)
	}
	return err
}

func (r reach) set(ctx context.Context, do handover.Action, given handover.Incident) (i handover.Incident, err error) {
	err = r.do(ctx, func(ctx context.Context, c *control.Client) (err error) {
		i, err = c.SetIncident(ctx, do, given)
		return err
	}, func(j *journal.Journal) (err error) {
		i, err = setIncident(j, do, given, handover.Stamp{At: time.Now(), Trusted: board.Look("", "").Synchronised}, who())
		return err
	})
	return i, err
}

// show is the incident last opened; its zero when there was none.
func (r reach) show(ctx context.Context) (i handover.Incident, err error) {
	err = r.do(ctx, func(ctx context.Context, c *control.Client) (err error) {
		i, err = c.Incident(ctx)
		return err
	}, func(j *journal.Journal) (err error) {
		i, err = readIncident(j)
		return err
	})
	return i, err
}

func newIncidentSet(do handover.Action) *cobra.Command {
	var given handover.Incident
	var from, to string
	cmd := &cobra.Command{
		Use: "open --name NAME", Short: "Begin an incident", Args: noArgs,
		Long: `open begins an incident. What is left out prints as "not recorded", and can be
filled in later with candlemark incident change.`,
		Example: `  candlemark incident open --name "Alder Ford flood" --number 26-114 --site "school gymnasium" \
    --requester "county logistics" --contact "site lead, channel 4" --from 06:00 --to 18:00 \
    --need "forms and voice" --people 40 --primary "satellite terminal" --alternate "cellular router" \
    --contingency "VHF voice" --emergency "messenger on foot"`,
	}
	if do == handover.Change {
		cmd.Use, cmd.Short = "change", "Change fields of the open incident"
		cmd.Long = "change sets the fields given and leaves the others; the change goes into the record."
		cmd.Example = "  candlemark incident change --from 18:00 --to 06:00 --contact \"night lead, channel 4\""
	}
	text := func(into *string, name, use string) { cmd.Flags().StringVar(into, name, "", use) }
	text(&given.Name, "name", "incident `NAME`")
	text(&given.Number, "number", "incident `NUMBER`")
	text(&given.Site, "site", "`WHERE` the link is")
	text(&given.Requester, "requester", "`WHO` asked for it")
	text(&given.Contact, "contact", "`WHOM` to call on site, and how")
	text(&from, "from", "operational period from `TIME`: 06:00, or 2026-05-04 06:00, or RFC 3339")
	text(&to, "to", "operational period to `TIME`; an HH:MM before --from is the next day")
	text(&given.Need, "need", "`WHAT` people must do")
	cmd.Flags().IntVar(&given.People, "people", 0, "how `MANY` people")
	text(&given.Arrangement, "arrangement", "`WHAT` is in service and where")
	text(&given.Fed, "fed", "`HOW` it is fed")
	text(&given.Primary, "primary", "primary `MEANS`")
	text(&given.Alternate, "alternate", "alternate `MEANS`")
	text(&given.Contingency, "contingency", "contingency `MEANS`")
	text(&given.Emergency, "emergency", "emergency `MEANS`")
	if do == handover.Open {
		_ = cmd.MarkFlagRequired("name")
	}
	r := reachFlags(cmd)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		if cmd.Flags().Changed("people") && given.People <= 0 {
			return usageError{fmt.Errorf("--people %d: give a number above zero", given.People)}
		}
		var err error
		if given.From, given.To, err = periodOf(from, to, time.Now()); err != nil {
			return usageError{err}
		}
		if err := given.Check(); err != nil && !(do == handover.Change && given.From.IsZero() != given.To.IsZero()) {
			return usageError{err}
		}
		i, err := r.set(cmd.Context(), do, given)
		if err != nil {
			return err
		}
		printIncident(cmd.OutOrStdout(), i)
		return nil
	}
	return cmd
}

// periodOf reads both ends of an operational period.
func periodOf(from, to string, now time.Time) (a, b time.Time, err error) {
	if from != "" {
		if a, err = moment(from, now); err != nil {
			return a, b, fmt.Errorf("--from %s: %w", from, err)
		}
	}
	if to != "" {
		if b, err = moment(to, now); err != nil {
			return a, b, fmt.Errorf("--to %s: %w", to, err)
		}
		if _, clock := time.Parse("15:04", to); clock == nil && !a.IsZero() {
			b = time.Date(a.Year(), a.Month(), a.Day(), b.Hour(), b.Minute(), 0, 0, now.Location())
			if !b.After(a) {
				b = b.AddDate(0, 0, 1)
			}
		}
	}
	return a, b, nil
}

func moment(text string, now time.Time) (time.Time, error) {
	if t, err := time.Parse("15:04", text); err == nil {
		return time.Date(now.Year(), now.Month(), now.Day(), t.Hour(), t.Minute(), 0, 0, now.Location()), nil
	}
	if t, err := time.ParseInLocation("2006-01-02 15:04", text, now.Location()); err == nil {
		return t, nil
	}
	if t, err := time.Parse(time.RFC3339, text); err == nil {
		return t, nil
	}
	return time.Time{}, errors.New("not a time; write it like 18:30 or \"2026-05-04 18:30\"")
}

func newIncidentShow() *cobra.Command {
	cmd := &cobra.Command{Use: "show", Short: "Show the incident", Example: "  candlemark incident show", Args: noArgs}
	r := reachFlags(cmd)
	f := formatFlag(cmd, formatText, formatJSON)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		i, err := r.show(cmd.Context())
		switch {
		case err != nil:
			return err
		case *f == formatJSON:
			return printJSON(cmd.OutOrStdout(), *f, i)
		case !i.Recorded():
			fmt.Fprintln(cmd.OutOrStdout(), "no incident was opened")
			return nil
		}
		printIncident(cmd.OutOrStdout(), i)
		return nil
	}
	return cmd
}

func printIncident(w io.Writer, i handover.Incident) {
	p := handover.Build(handover.Input{Incident: i, Now: time.Now(), ClockSet: true, Full: true})
	for _, rows := range [][]handover.Row{p.Head, p.Service, p.Means} {
		for _, r := range rows {
			fmt.Fprintf(w, "%-22s %s\n", r.Label, r.Value)
		}
	}
}

// picture is what the pages are made from.
type picture struct {
	snapshot status.Snapshot
	live     bool
	incident handover.Incident
	records  []journal.Record
	earlier  bool
	boot     string
	clockSet bool
}

// recordsAtOnce is how many records one answer of the agent holds.
const recordsAtOnce = 10_000

// picture gathers it all; with whole it pages through the record back to the
// incident's beginning, without it takes the newest.
func (r reach) picture(ctx context.Context, whole bool) (picture, error) {
	var p picture
	err := r.do(ctx, func(ctx context.Context, c *control.Client) (err error) {
		if p.snapshot, err = c.Snapshot(ctx); err != nil {
			return err
		}
		p.live, p.clockSet = true, p.snapshot.ClockSet
		if p.incident, err = c.Incident(ctx); err != nil {
			return err
		}
		return p.read(whole, func(f journal.Filter) ([]journal.Record, error) { return c.Records(ctx, f) })
	}, func(j *journal.Journal) (err error) {
		p.clockSet = board.Look("", "").Synchronised
		if p.incident, err = readIncident(j); err != nil {
			return err
		}
		if p.snapshot.Known, err = knownIn(j); err != nil {
			return err
		}
		if p.snapshot.Alarms, err = alarmsIn(j); err != nil {
			return err
		}
		return p.read(whole, j.Records)
	})
	if p.boot, _ = journal.BootID(); err != nil { // without it times cannot be put right; nothing else is lost
		return p, err
	}
	return p, nil
}

func (p *picture) read(whole bool, ask func(journal.Filter) ([]journal.Record, error)) error {
	f := journal.Filter{Limit: recordsAtOnce}
	if whole && p.incident.FirstSeq > 0 {
		f.AfterSeq = p.incident.FirstSeq - 1
	}
	for {
		part, err := ask(f)
		if err != nil {
			return err
		}
		p.records = append(part, p.records...)
		if len(part) < recordsAtOnce {
			return nil
		}
		if !whole {
			p.earlier = part[0].Seq > 1
			return nil
		}
		f.BeforeSeq = part[0].Seq
	}
}
