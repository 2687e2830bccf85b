package main

import (
	"context"
	"fmt"
	"os"
	"runtime/debug"
	"time"

	"github.com/rs/zerolog"
	"github.com/spf13/cobra"

	timekeeping "candlemark/agent/clock"
	"candlemark/agent/clock/board"
	"candlemark/agent/control"
	"candlemark/agent/journal"
	"candlemark/agent/status"
)

func newClockCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "clock",
		Short: "See what time the agent thinks it is, and tell it",
		Long: `clock shows the time of day as the agent knows it, and from whom. A board without
a clock chip does not know it after a start, until a time service does or somebody
says it with set. Durations, forecasts and the order of records never depend on it.`,
		Example: "  candlemark clock\n  candlemark clock set 2026-03-14T18:30:00Z",
		Args:    noArgs,
	}
	socket := socketFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		var s status.Snapshot
		err := talk(cmd.Context(), *socket, func(ctx context.Context, c *control.Client) (err error) {
			s, err = c.Snapshot(ctx)
			return err
		})
		if err != nil {
			return err
		}
		fmt.Fprintln(cmd.OutOrStdout(), clockLine(s))
		return nil
	}
	cmd.AddCommand(newClockSet())
	return cmd
}

func clockLine(s status.Snapshot) string {
	if !s.ClockSet {
		return "the time of day is not known; the board's clock shows " + s.Taken.Wall.Local().Format("2006-01-02 15:04:05 MST") + ": say it with candlemark clock set"
	}
	return fmt.Sprintf("it is %s; known from: %s", s.Taken.Wall.Local().Format("2006-01-02 15:04:05 MST"), s.ClockSource)
}

func newClockSet() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "set TIME",
		Short: "Tell the agent what time it is",
		Long: `set tells the agent the time of day, as you read it from your watch or phone. The
agent stamps by it until the end of this boot, or until a time service knows
better; the board's own clock it leaves alone, which needs more rights than it has.
A time before what the journal has already seen is refused, and one that differs
from a time service's. TIME has its zone, or is by the board's local time.`,
		Example: `  candlemark clock set 2026-03-14T18:30:00Z
  candlemark clock set "2026-03-14 19:30"`,
		Args: exactArg("the time"),
	}
	socket := socketFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		now, err := timeOfDay(args[0])
		if err != nil {
			return usageError{err}
		}
		return talk(cmd.Context(), *socket, func(ctx context.Context, c *control.Client) error {
			words, err := c.SetTime(ctx, now)
			if err == nil {
				fmt.Fprintln(cmd.OutOrStdout(), words)
			}
			return err
		})
	}
	return cmd
}

// timeOfDay reads a time as people write it.
func timeOfDay(text string) (time.Time, error) {
	for _, form := range []string{time.RFC3339, "2006-01-02 15:04:05", "2006-01-02 15:04"} {
		if at, err := time.ParseInLocation(form, text, time.Local); err == nil {
			return at, nil
		}
	}
	return time.Time{}, fmt.Errorf("%q is not a time; write it as 2026-03-14T18:30:00Z, or \"2026-03-14 18:30\" by the board's local time", text)
}

// keyClock is the journal's key of what is known of the board's clock.
const keyClock = "clock"

// newClock keeps what is known of the time of day over restarts and wrong clocks.
func newClock(boot, chip string, jnl *journal.Journal, log zerolog.Logger) *board.Keeper {
	var saved timekeeping.State
	if _, err := jnl.State(keyClock, &saved); err != nil {
		log.Error().Err(err).Msg("not carried on from the journal")
	}
	return board.New(boot, timekeeping.New(saved, built()),
		func() timekeeping.Evidence { return board.Look(boot, chipDir(chip)) },
		func(s timekeeping.State) {
			if err := jnl.PutState(keyClock, s); err != nil {
				log.Error().Err(err).Msg("journal")
			}
		})
}

// chipDir is where the kernel shows the clock chip of this name; "" for none.
func chipDir(name string) string {
	if name == "" {
		return ""
	}
	return "/sys/class/rtc/" + name
}

// rightTime is the time of day that a reading of the board's clock stands for: where
// somebody said what time it is, the board's own clock is still wrong.
func rightTime(keep *board.Keeper, boot string) func(time.Time) time.Time {
	return func(read time.Time) time.Time {
		if at, known := keep.Wall(boot, board.Uptime()-time.Since(read)); known {
			return at.Local()
		}
		return read.Round(0)
	}
}

// built is when this program was made: no clock that stands before it is right.
func built() time.Time {
	if info, ok := debug.ReadBuildInfo(); ok {
		for _, s := range info.Settings {
			if at, err := time.Parse(time.RFC3339, s.Value); s.Key == "vcs.time" && err == nil {
				return at
			}
		}
	}
	// A build without version control: the file is about as old as the program.
	path, err := os.Executable()
	if err != nil {
		return time.Unix(0, 0)
	}
	info, err := os.Stat(path)
	if err != nil {
		return time.Unix(0, 0)
	}
	return info.ModTime()
}
