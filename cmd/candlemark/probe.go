package main

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"

	"candlemark/agent/control"
)

func newProbe() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "probe NAME",
		Short: "Have a configured probe made now, however busy the link",
		Long: `probe has the running agent make one of its probes next: a target, a transfer or a
service of the configuration. A transfer does not wait for a quiet link then, and
the record says so. The data budget and the pack's reserve hold all the same.`,
		Example: "  candlemark probe wide-area",
		Args:    exactArg("the probe's name in the configuration"),
	}
	socket := socketFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		return talk(cmd.Context(), *socket, func(ctx context.Context, c *control.Client) error {
			words, err := c.Probe(ctx, args[0])
			if err == nil {
				fmt.Fprintln(cmd.OutOrStdout(), words)
			}
			return err
		})
	}
	return cmd
}
