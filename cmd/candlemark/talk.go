package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/user"
	"time"

	"github.com/spf13/cobra"

	"candlemark/agent/clock/board"
	"candlemark/agent/control"
	"candlemark/agent/journal"
)

// socketFlag adds the flag by which a command finds the running agent.
func socketFlag(cmd *cobra.Command) *string {
	return cmd.Flags().String("socket", "/run/candlemark/control.sock", "the running agent's control `SOCKET`")
}

// talk runs f against the running agent.
func talk(ctx context.Context, socket string, f func(context.Context, *control.Client) error) error {
	return talkFor(ctx, socket, 10*time.Second, f)
}

// talkFor is talk for as long as within.
func talkFor(ctx context.Context, socket string, within time.Duration, f func(context.Context, *control.Client) error) error {
	c, err := control.Dial(socket)
	if errors.Is(err, control.ErrNoAgent) {
		return fmt.Errorf("%w; start one with candlemark run, or name its socket with --socket", err)
	}
	if err != nil {
		return err
	}
	defer c.Close()
	ctx, cancel := context.WithTimeout(ctx, within)
	defer cancel()
	return f(ctx, c)
}

// who is the person at the keyboard, for the record.
func who() string {
	u, err := user.Current()
	if err != nil {
		return "unknown"
	}
	return u.Username
}

func newSwap() *cobra.Command {
	var name, mark string
	var sure bool
	cmd := &cobra.Command{
		Use:   "swap --pack NAME [--mark MARK]",
		Short: "Tell the agent that a pack was changed",
		Long: `swap tells the running agent that another pack is in place. The estimate then
starts anew, with what is known of the pack that carries this mark, and the
warnings of the old pack are cleared. Change the pack first: a swap of which the
readings of the last hour show nothing is refused unless you are sure. Write marks on your packs: a figure that
knows its pack is worth far more than one that does not.`,
		Example: "  candlemark swap --pack terminal --mark B3",
		Args:    noArgs,
	}
	cmd.Flags().StringVar(&name, "pack", "", "`NAME` of the configured pack")
	cmd.Flags().StringVar(&mark, "mark", "", "`MARK` written on the new pack; leave out when it has none")
	cmd.Flags().BoolVar(&sure, "sure", false, "it was changed, though voltage and current went on as before")
	_ = cmd.MarkFlagRequired("pack")
	socket := socketFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		return talk(cmd.Context(), *socket, func(ctx context.Context, c *control.Client) error {
			words, err := c.Swap(ctx, name, mark, sure)
			if err != nil {
				return err
			}
			fmt.Fprintln(cmd.OutOrStdout(), words)
			return nil
		})
	}
	return cmd
}

func newNote() *cobra.Command {
	cmd := &cobra.Command{
		Use:     `note "TEXT"`,
		Short:   "Write a line into the activity record",
		Example: `  candlemark note "moved the relay to the stairwell, second floor"`,
		Args:    exactArg("the text in quotes"),
	}
	socket := socketFlag(cmd)
	path := cmd.Flags().String("journal", "", "write into this journal `FILE` when no agent runs")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		err := talk(cmd.Context(), *socket, func(ctx context.Context, c *control.Client) error {
			_, err := c.Note(ctx, args[0])
			return err
		})
		if errors.Is(err, control.ErrNoAgent) && *path == "" {
			err = fmt.Errorf("%w, or its journal with --journal", err)
		} else if errors.Is(err, control.ErrNoAgent) {
			err = offline(*path, func(j *journal.Journal) error {
				_, err := j.AppendNow(journal.Record{Wall: time.Now(), Up: board.Uptime(), Kind: journal.KindNote, Who: who(), Text: args[0]})
				return err
			})
		}
		if err == nil {
			fmt.Fprintln(cmd.OutOrStdout(), "noted")
		}
		return err
	}
	return cmd
}

// offline opens the journal for one command. The lock time-out of Open tells
// when an agent holds it after all.
func offline(path string, f func(*journal.Journal) error) error {
	// A misspelt path must not make a journal that nobody reads.
	if _, err := os.Stat(path); err != nil {
		return fmt.Errorf("journal: %w; name the one the agent writes, journal: in its configuration", err)
	}
	boot, err := journal.BootID()
	if err != nil {
		return err
	}
	j, err := journal.Open(path, journal.Options{Boot: boot})
	var damaged *journal.DamagedError
	if errors.Is(err, journal.ErrLocked) {
		return fmt.Errorf("%w; an agent runs with it: name its socket with --socket", err)
	}
	if err != nil && !errors.As(err, &damaged) {
		return err
	}
	return errors.Join(err, f(j), j.Close())
}
