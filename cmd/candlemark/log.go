package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"candlemark/agent/control"
	"candlemark/agent/journal"
)

// logQuestion is what the command line asks of the record.
type logQuestion struct {
	socket, path string
	since, until time.Duration // back from now
	kinds        []string
	pack         string
	limit        int
	follow       bool
	form         format
}

func newLogCommand() *cobra.Command {
	var q logQuestion
	cmd := &cobra.Command{
		Use:   "log",
		Short: "Show the activity record",
		Long: `log shows every alarm, swap, note, probe, change of the feed and the like, oldest
first. It filters by kind, by time back from now, and by pack, and goes on with
--follow as things happen.`,
		Example: `  candlemark log --since 12h
  candlemark log --kind alarm --kind swap --pack terminal
  candlemark log --follow --format ndjson`,
		Args: noArgs,
	}
	socket := socketFlag(cmd)
	cmd.Flags().StringVar(&q.path, "journal", "", "read this journal `FILE` when no agent runs")
	cmd.Flags().DurationVar(&q.since, "since", 0, "only what is not older than this `TIME`, such as 12h")
	cmd.Flags().DurationVar(&q.until, "until", 0, "only what is older than this `TIME`, such as 1h")
	cmd.Flags().StringSliceVar(&q.kinds, "kind", nil, "only records of this `KIND`, any of several: "+joined(journal.Kinds()))
	cmd.Flags().StringVar(&q.pack, "pack", "", "only what is about the pack (or target) of this `NAME`")
	cmd.Flags().IntVar(&q.limit, "limit", 200, "at most this `NUMBER` of the newest")
	cmd.Flags().BoolVarP(&q.follow, "follow", "f", false, "go on with what happens, until interrupted")
	f := formatFlag(cmd, formatText, formatJSON, formatNDJSON)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		q.socket, q.form = *socket, *f
		if err := q.check(); err != nil {
			return usageError{err}
		}
		if q.follow {
			return q.goOn(cmd.Context(), cmd.OutOrStdout())
		}
		records, err := q.read(cmd.Context())
		if err != nil {
			return err
		}
		return printRecords(cmd.OutOrStdout(), q.form, records)
	}
	return cmd
}

func joined(kinds []journal.Kind) string {
	var words []string
	for _, k := range kinds {
		words = append(words, string(k))
	}
	return strings.Join(words, ", ")
}

func (q logQuestion) check() error {
	switch {
	case q.limit <= 0:
		return fmt.Errorf("--limit %d: give a number above zero", q.limit)
	case q.since < 0:
		return fmt.Errorf("--since %s: it counts from now back; give a time above zero", q.since)
	case q.until < 0:
		return fmt.Errorf("--until %s: it counts from now back; give a time above zero", q.until)
	case q.since > 0 && q.until >= q.since:
		return fmt.Errorf("--until %s is not later than --since %s, both back from now", q.until, q.since)
	case q.follow && q.until > 0:
		return errors.New("--follow shows what happens now, which --until leaves out")
	case q.follow && q.form == formatJSON:
		return errors.New("--follow has no end, and --format json is one list: use --format ndjson")
	case q.follow && q.path != "":
		return errors.New("--follow needs the running agent; a journal without one does not change")
	}
	for _, k := range q.kinds {
		if !slices.Contains(journal.Kinds(), journal.Kind(k)) {
			return fmt.Errorf("--kind %q is not known; there are: %s", k, joined(journal.Kinds()))
		}
	}
	return nil
}

// filter is the question where it is now.
func (q logQuestion) filter(now time.Time) journal.Filter {
	f := journal.Filter{Limit: q.limit, Subject: q.pack}
	for _, k := range q.kinds {
		f.Kinds = append(f.Kinds, journal.Kind(k))
	}
	if q.since > 0 {
		f.Since = now.Add(-q.since)
	}
	if q.until > 0 {
		f.Until = now.Add(-q.until)
	}
	return f
}

func (q logQuestion) read(ctx context.Context) (records []journal.Record, err error) {
	err = talk(ctx, q.socket, func(ctx context.Context, c *control.Client) error {
		now := time.Now()
		if q.since > 0 || q.until > 0 { // the agent may know the time better than this board's clock
			s, err := c.Snapshot(ctx)
			if err != nil {
				return err
			}
			now = s.Taken.Wall
		}
		records, err = c.Records(ctx, q.filter(now))
		return err
	})
	if errors.Is(err, control.ErrNoAgent) && q.path == "" {
		return nil, fmt.Errorf("%w, or its journal with --journal", err)
	}
	if errors.Is(err, control.ErrNoAgent) {
		err = offline(q.path, func(j *journal.Journal) (err error) {
			records, err = j.Records(q.filter(time.Now()))
			return err
		})
	}
	return records, err
}

// followEvery is how often the record is looked at, and overlap how many records
// back: after a crash the agent gives numbers again that were not on the disk yet.
const (
	followEvery = time.Second
	overlap     = 256
)

// goOn prints the records and all that follow, each once, over restarts of the agent.
func (q logQuestion) goOn(ctx context.Context, w io.Writer) error {
	var newest []journal.Record
	err := talk(ctx, q.socket, func(ctx context.Context, c *control.Client) (err error) {
		newest, err = c.Records(ctx, journal.Filter{Limit: 1})
		return err
	})
	if err != nil {
		return err
	}
	records, err := q.read(ctx)
	if err != nil {
		return err
	}
	seen := map[string]uint64{}
	var last, first uint64 // first is where what is shown begins
	for _, r := range newest {
		last, first = r.Seq, r.Seq+1
	}
	if len(records) > 0 {
		first = records[0].Seq
	}
	tick := time.NewTicker(followEvery)
	defer tick.Stop()
	for {
		var fresh []journal.Record
		for _, r := range records {
			key := fmt.Sprint(r.Seq, r.Boot, r.Up, r.Text)
			if _, told := seen[key]; !told && r.Seq >= first {
				fresh = append(fresh, r)
			}
			seen[key], last = r.Seq, max(last, r.Seq)
		}
		if len(fresh) > 0 {
			if err := printRecords(w, q.form, fresh); err != nil {
				return err
			}
		}
		for key, seq := range seen {
			if seq+2*overlap < last {
				delete(seen, key)
			}
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
		err := talk(ctx, q.socket, func(ctx context.Context, c *control.Client) (err error) {
			f := q.filter(time.Now())
			f.Since, f.Limit, f.AfterSeq = time.Time{}, 0, last-min(last, overlap)
			records, err = c.Records(ctx, f)
			return err
		})
		switch {
		case errors.Is(err, control.ErrNoAgent): // being started again
			records = nil
		case err != nil && ctx.Err() != nil:
			return nil
		case err != nil:
			return err
		}
	}
}

func printRecords(w io.Writer, f format, recs []journal.Record) error {
	switch f {
	case formatJSON:
		return printJSON(w, f, recs)
	case formatNDJSON:
		for _, r := range recs {
			if err := printJSON(w, f, r); err != nil {
				return err
			}
		}
		return nil
	}
	if len(recs) == 0 {
		fmt.Fprintln(w, "nothing recorded")
	}
	for _, r := range recs {
		about := strings.TrimSpace(r.Subject + " " + r.Who)
		fmt.Fprintf(w, "%s  %-10s %-24s %s\n", r.Wall.Local().Format("2006-01-02 15:04:05"), r.Kind, about, r.Text)
	}
	return nil
}
