package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"candlemark/agent"
	"candlemark/agent/control"
	"candlemark/agent/journal"
	"candlemark/agent/status"
)

func newPacks() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "packs",
		Short: "List the packs that were learned, and what is thought of them",
		Long: `packs lists every pack the agent has learned: what it gave in its last whole
discharge against its label, how its resistance went, and a verdict (good, tired,
retire) with the reason. Packs without a mark share one line for each place.`,
		Example: "  candlemark packs\n  candlemark packs --journal /var/lib/candlemark/journal.db --format json",
		Args:    noArgs,
	}
	socket := socketFlag(cmd)
	path := cmd.Flags().String("journal", "", "read this journal `FILE` when no agent runs")
	f := formatFlag(cmd, formatText, formatJSON, formatNDJSON)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		var known []status.KnownPack
		err := talk(cmd.Context(), *socket, func(ctx context.Context, c *control.Client) error {
			s, err := c.Snapshot(ctx)
			known = s.Known
			return err
		})
		if errors.Is(err, control.ErrNoAgent) && *path == "" {
			err = fmt.Errorf("%w, or its journal with --journal", err)
		} else if errors.Is(err, control.ErrNoAgent) {
			known, err = knownOffline(*path)
		}
		if err != nil {
			return err
		}
		return printPacks(cmd.OutOrStdout(), *f, known)
	}
	return cmd
}

// knownOffline reads the learned packs while no agent runs.
func knownOffline(path string) (known []status.KnownPack, err error) {
	err = offline(path, func(j *journal.Journal) error {
		known, err = knownIn(j)
		return err
	})
	return known, err
}

// knownIn are the packs learned, as the journal holds them.
func knownIn(j *journal.Journal) (known []status.KnownPack, err error) {
	ids, err := j.Identities()
	if err != nil {
		return nil, err
	}
	for _, id := range ids {
		var k agent.KnownPack
		if _, err := j.Profile(id, &k); err != nil {
			return nil, err
		}
		if k.Profile != nil {
			known = append(known, agent.Judge(id, "", k))
		}
	}
	return known, nil
}

func printPacks(w io.Writer, f format, known []status.KnownPack) error {
	switch f {
	case formatJSON:
		return printJSON(w, f, known)
	case formatNDJSON:
		for _, k := range known {
			if err := printJSON(w, f, k); err != nil {
				return err
			}
		}
		return nil
	}
	if len(known) == 0 {
		fmt.Fprintln(w, "no pack was learned yet: a pack is learned when it has been discharged, or with candlemark learn")
		return nil
	}
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(tw, "pack\tin use at\tlast whole discharge\tlabel\tlearned\tverdict\twhy")
	for _, k := range known {
		gave := "not seen"
		if k.LastKnown {
			gave = fmt.Sprintf("%.2f Ah", k.LastAh)
		}
		place := k.Place
		if place == "" {
			place = "-"
		}
		fmt.Fprintf(tw, "%s\t%s\t%s\t%.2f Ah\t%s\t%s\t%s\n", k.Identity, place, gave, k.LabelAh, count(k.Discharges, "discharge"), k.Verdict, k.Why)
	}
	return tw.Flush()
}
