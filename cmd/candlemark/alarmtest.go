package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync"
	"time"

	"github.com/rs/zerolog"
	"github.com/spf13/cobra"

	"candlemark/agent/config"
	"candlemark/agent/control"
	"candlemark/agent/notify"
	"candlemark/agent/status"
)

// testMost is how long a test of all receivers may take: a receiver may be given a
// minute, and a command a few seconds to be ended in.
const testMost = 70 * time.Second

func newAlarmTest() *cobra.Command {
	var path string
	cmd := &cobra.Command{
		Use:   "alarm-test",
		Short: "Send a test through every receiver, buzzer and lamp, and say what each answered",
		Long: `alarm-test has the running agent send a message that is marked as a test to each
receiver, sound the buzzer and light the lamp. It says what each answered; whether
the people behind it saw it, only they can say. With --config, and no agent
running, it sends the test itself. Exit code 1 says that one failed.`,
		Example: "  candlemark alarm-test\n  candlemark alarm-test --config /etc/candlemark/candlemark.yaml",
		Args:    noArgs,
	}
	cmd.Flags().StringVar(&path, "config", "", "send to the receivers of this configuration `FILE`, without an agent")
	socket := socketFlag(cmd)
	f := formatFlag(cmd, formatText, formatJSON)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		var trials []status.Trial
		if path != "" {
			cfg, err := load(path)
			if err != nil {
				return err
			}
			if agentRuns(cfg.ControlSocket) {
				return errors.New("an agent runs with this configuration, and has the lines of buzzer and lamp: leave --config out")
			}
			if trials, err = tryAlone(cmd.Context(), cfg); err != nil {
				return err
			}
		} else {
			err := talkFor(cmd.Context(), *socket, testMost+5*time.Second, func(ctx context.Context, c *control.Client) (err error) {
				trials, err = c.TestAlarms(ctx)
				return err
			})
			if errors.Is(err, control.ErrNoAgent) {
				err = fmt.Errorf("%w, or send the test without one with --config", err)
			}
			if err != nil {
				return err
			}
		}
		if *f == formatJSON {
			if err := printJSON(cmd.OutOrStdout(), *f, trials); err != nil {
				return err
			}
		} else {
			printTrials(cmd.OutOrStdout(), trials)
		}
		if failed(trials) {
			return errSilent
		}
		return nil
	}
	return cmd
}

func failed(trials []status.Trial) bool {
	for _, t := range trials {
		if t.Fault != "" {
			return true
		}
	}
	return false
}

func printTrials(w io.Writer, trials []status.Trial) {
	for _, t := range trials {
		if t.Fault != "" {
			fmt.Fprintf(w, "%-7s %-20s %s\n", isFault, t.Receiver, t.Fault)
			continue
		}
		fmt.Fprintf(w, "%-7s %-20s %s\n", isGood, t.Receiver, t.Answer)
	}
}

// errNobodyToTry answers who tests nothing.
var errNobodyToTry = errors.New("the configuration has no receiver, buzzer or lamp, so that no alarm would reach anybody; add one under receivers or signal")

// tryAll tests receivers, buzzer and lamp at the same time.
func tryAll(ctx context.Context, tell *notify.Notifier, near *local) ([]status.Trial, error) {
	ctx, cancel := context.WithTimeout(ctx, testMost)
	defer cancel()
	var sounded []status.Trial
	var wait sync.WaitGroup
	if near.test != nil {
		wait.Go(func() { sounded = near.test(ctx) })
	}
	out := tell.Test(ctx)
	wait.Wait()
	if out = append(out, sounded...); len(out) == 0 {
		return nil, errNobodyToTry
	}
	return out, nil
}

// tryAlone tests what a configuration names, with no agent running.
func tryAlone(ctx context.Context, cfg *config.Config) ([]status.Trial, error) {
	clockSet := func() bool { return checkClock(cfg.Clock.Chip).Result == isGood }
	tell, err := newNotifier(cfg, startID("alone"), nil, clockSet, nil, zerolog.Nop())
	if err != nil {
		return nil, err
	}
	near, err := newLocal(cfg, clockSet, time.Now)
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithCancel(ctx)
	var wait sync.WaitGroup
	for _, task := range near.tasks {
		wait.Go(func() { _ = task.Run(ctx) }) // a line that cannot be had is told by the test
	}
	defer wait.Wait()
	defer cancel()
	return tryAll(ctx, tell, near)
}

// testText is a test in one line of the record.
func testText(trials []status.Trial) string {
	var parts []string
	for _, t := range trials {
		if t.Fault != "" {
			parts = append(parts, t.Receiver+" failed: "+t.Fault)
		} else {
			parts = append(parts, t.Receiver+": "+t.Answer)
		}
	}
	return "test of the alarms: " + strings.Join(parts, "; ")
}

// newNotifier builds the receivers; store and right may be nil.
func newNotifier(cfg *config.Config, run string, store notify.Store, clockSet func() bool, right func(time.Time) time.Time, log zerolog.Logger) (*notify.Notifier, error) {
	tell, err := notify.New(notify.Config{
		Relay: cfg.Relay, Site: cfg.Site, Run: run, Receivers: receivers(cfg), Store: store, ClockSet: clockSet, RightTime: right,
		Problem: func(err error) { log.Error().Err(err).Msg("waiting alarm messages") },
	})
	if err != nil {
		return nil, configError{err}
	}
	return tell, nil
}
