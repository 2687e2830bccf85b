package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"candlemark/agent/control"
	"candlemark/agent/feed"
	"candlemark/agent/status"
)

func newFeed() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "feed",
		Short: "See and switch the terminal's feed",
		Long: `feed shows whether the terminal has power, why, and until when. Its subcommands
ask the running agent to change that. An off always has a return time and ends
by itself, after a restart or a reboot too, so that nobody locks himself out.
Without a switch the agent says what to switch by hand.

A feed that software switched off is not isolated and returns by itself: pull
the fuse at the pack before you touch a wire.`,
		Example: "  candlemark feed\n  candlemark feed --format json\n  candlemark feed off --for 45m",
		Args:    noArgs,
	}
	socket := socketFlag(cmd)
	f := formatFlag(cmd, formatText, formatJSON)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		var s status.Snapshot
		err := talk(cmd.Context(), *socket, func(ctx context.Context, c *control.Client) (err error) {
			s, err = c.Snapshot(ctx)
			return err
		})
		switch {
		case err != nil:
			return err
		case s.Feed == nil:
			return errors.New("the running agent has no feed; describe it under feed in its configuration")
		case *f == formatJSON:
			return printJSON(cmd.OutOrStdout(), *f, s.Feed)
		}
		fmt.Fprintln(cmd.OutOrStdout(), s.Feed.Text)
		if plan := s.Feed.Schedule; plan != nil {
			fmt.Fprintf(cmd.OutOrStdout(), "schedule: %s\n", plan)
		}
		return nil
	}
	cmd.AddCommand(newFeedOff(), newFeedOn(), newFeedSchedule())
	return cmd
}

func newFeedOff() *cobra.Command {
	var length time.Duration
	cmd := &cobra.Command{
		Use:   "off --for TIME",
		Short: "Switch the terminal off for a time",
		Long: `off has the terminal shut down in order, cuts its feed, and restores it when the
time is over. The time counts from the request.`,
		Example: "  candlemark feed off --for 45m",
		Args:    noArgs,
	}
	cmd.Flags().DurationVar(&length, "for", 0, "`TIME` after which the feed returns by itself, such as 45m")
	_ = cmd.MarkFlagRequired("for")
	socket := socketFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		if length <= 0 {
			return usageError{fmt.Errorf("--for %s: give a time above zero", length)}
		}
		return askFeed(cmd, *socket, feed.Request{Do: feed.AskOff, For: length})
	}
	return cmd
}

func newFeedOn() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "on",
		Short: "Switch the terminal on, and end an off or a schedule",
		Long: `on restores the feed. It is refused where the pack is at its cut-off. Below the
reserve it is done, and the feed is next cut at the cut-off.`,
		Example: "  candlemark feed on",
		Args:    noArgs,
	}
	socket := socketFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		return askFeed(cmd, *socket, feed.Request{Do: feed.AskOn})
	}
	return cmd
}

func newFeedSchedule() *cobra.Command {
	var plan feed.Schedule
	var accept bool
	cmd := &cobra.Command{
		Use:   "schedule --on TIME --every TIME",
		Short: "Have the terminal on for a part of each period only",
		Long: `schedule shows the runtime that a schedule would buy, asks, and puts it in
force. "candlemark feed on" ends it.`,
		Example: "  candlemark feed schedule --on 10m --every 1h\n  candlemark feed schedule --on 10m --every 1h --yes",
		Args:    noArgs,
	}
	cmd.Flags().DurationVar(&plan.On, "on", 0, "`TIME` on in each period, such as 10m")
	cmd.Flags().DurationVar(&plan.Every, "every", 0, "`TIME` from one on to the next, such as 1h")
	cmd.Flags().BoolVar(&accept, "yes", false, "accept it without being asked")
	_, _ = cmd.MarkFlagRequired("on"), cmd.MarkFlagRequired("every")
	socket := socketFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		if err := askFeed(cmd, *socket, feed.Request{Do: feed.AskOffer, Schedule: plan}); err != nil {
			return err
		}
		if !accept && !yes(cmd.InOrStdin(), cmd.OutOrStdout(), "Put it in force? Type yes: ") {
			fmt.Fprintln(cmd.ErrOrStderr(), "candlemark: not accepted, so that nothing was changed; type yes, or add --yes")
			return errSilent
		}
		return askFeed(cmd, *socket, feed.Request{Do: feed.AskSchedule, Schedule: plan})
	}
	return cmd
}

// askFeed asks the running agent and prints what follows.
func askFeed(cmd *cobra.Command, socket string, r feed.Request) error {
	return talk(cmd.Context(), socket, func(ctx context.Context, c *control.Client) error {
		words, err := c.Feed(ctx, r)
		if err == nil {
			fmt.Fprintln(cmd.OutOrStdout(), words)
		}
		return err
	})
}
