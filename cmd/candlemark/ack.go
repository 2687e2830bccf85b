package main

import (
	"context"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"candlemark/agent/control"
)

func newAck() *cobra.Command {
	var subject string
	var quiet time.Duration
	cmd := &cobra.Command{
		Use:   "ack ALARM [--subject NAME] [--for TIME]",
		Short: "Say that you know of an alarm, so that it is quiet for a while",
		Long: `ack quiets an active alarm: the buzzer, and the receivers that are set to be
quiet then. It ends nothing. The alarm comes back when the time is over and it
is still active, when it gets worse, and when it clears and comes again. How
long each alarm can be quiet is fixed; shut_terminal_down only for 5 min, since
somebody must act. Who said it is recorded and shown.`,
		Example: "  candlemark ack link_down\n  candlemark ack bring_next_pack --subject terminal --for 10m",
		Args:    exactArg("the alarm's name"),
	}
	cmd.Flags().StringVar(&subject, "subject", "", "only for this pack or hop, by `NAME`; every one when left out")
	cmd.Flags().DurationVar(&quiet, "for", 0, "`TIME` of quiet, such as 10m; as long as the alarm allows when left out")
	socket := socketFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if quiet < 0 || quiet == 0 && cmd.Flags().Changed("for") {
			return usageError{fmt.Errorf("--for %s: give a time above zero", quiet)}
		}
		return talk(cmd.Context(), *socket, func(ctx context.Context, c *control.Client) error {
			words, err := c.Acknowledge(ctx, args[0], subject, quiet)
			if err == nil {
				fmt.Fprintln(cmd.OutOrStdout(), words)
			}
			return err
		})
	}
	return cmd
}
