// Command candlemark watches a battery-fed network relay: it reads the pack,
// probes the link, says how long the pack will last, and warns in time.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strings"
	"syscall"

	"github.com/spf13/cobra"

	"candlemark/agent/config"
)

// The exit codes. They are part of the interface: units and scripts read them.
const (
	exitFailure = 1
	exitUsage   = 2
	exitConfig  = 78 // EX_CONFIG of sysexits.h: systemd's unit does not restart on it
)

// usageError marks what the caller typed wrong.
type usageError struct{ error }

func (e usageError) Unwrap() error { return e.error }

func main() {
	// A second signal ends the program at once, in case an orderly stop hangs.
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM, syscall.SIGHUP)
	context.AfterFunc(ctx, stop)
	os.Exit(execute(ctx, os.Args[1:], os.Stdout, os.Stderr))
}

// execute runs one command line and returns its exit code.
func execute(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	root := newRoot()
	root.SetArgs(args)
	root.SetOut(stdout)
	root.SetErr(stderr)
	err := root.ExecuteContext(ctx)
	if err == nil {
		return 0
	}
	var usage usageError
	var faults *config.Faults
	switch {
	case errors.As(err, &faults):
		fmt.Fprintln(stderr, faults)
		return exitConfig
	case errors.As(err, &usage) || isCobraUsage(err):
		fmt.Fprintf(stderr, "candlemark: %v\nSee \"candlemark help\" or add --help to the command.\n", err)
		return exitUsage
	}
	if !errors.Is(err, errSilent) {
		fmt.Fprintf(stderr, "candlemark: %v\n", err)
	}
	var cfg configError
	if errors.As(err, &cfg) {
		return exitConfig
	}
	return exitFailure
}

// errSilent ends a command with exit code 1 whose output has said it all.
var errSilent = errors.New("said already")

// configError marks a fault of the configuration that only showed when it was put to use.
type configError struct{ error }

func (e configError) Unwrap() error { return e.error }

// isCobraUsage recognises the usage faults that cobra reports as plain errors.
func isCobraUsage(err error) bool {
	for _, p := range []string{"unknown command", "unknown flag", "unknown shorthand", "required flag"} {
		if strings.HasPrefix(err.Error(), p) {
			return true
		}
	}
	return false
}

func newRoot() *cobra.Command {
	root := &cobra.Command{
		Use:   "candlemark",
		Short: "How long will the link last, and who must be told",
		Long: `candlemark runs beside a battery-fed network relay. It reads the pack, probes
the link, says how long the pack will last, exports metrics, and tells the
operator to shut the terminal down before the pack is flat.`,
		Example:       "  candlemark demo\n  candlemark run --config /etc/candlemark/candlemark.yaml",
		SilenceErrors: true,
		SilenceUsage:  true,
		RunE:          func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	root.SetFlagErrorFunc(func(_ *cobra.Command, err error) error { return usageError{err} })
	for _, g := range []struct {
		id, title string
		commands  []*cobra.Command
	}{
		{"scene", "On scene:", []*cobra.Command{newStatus(), newAck(), newSwap(), newFeed(), newProbe(), newNote(), newLogCommand(), newClockCommand(), newHandover(), newIncident()}},
		{"before", "Before and between:", []*cobra.Command{newPlan(), newSurvey(), newPacks(), newLearn(), newReplay()}},
		{"agent", "The agent:", []*cobra.Command{newSetup(), newCheckConfig(), newSelfCheck(), newAlarmTest(), newRun(), newReflect()}},
		{"first", "To begin with:", []*cobra.Command{newDemo(), newVersion()}},
	} {
		root.AddGroup(&cobra.Group{ID: g.id, Title: g.title})
		for _, c := range g.commands {
			c.GroupID = g.id
			root.AddCommand(c)
		}
	}
	root.SetHelpCommandGroupID("first")
	root.SetCompletionCommandGroupID("first")
	finishHelp(root)
	return root
}

// finishHelp makes cobra's own commands give examples, and refuse what they do
// not know like all others do.
func finishHelp(root *cobra.Command) {
	root.InitDefaultHelpCmd()
	root.InitDefaultCompletionCmd()
	for _, cmd := range root.Commands() {
		switch cmd.Name() {
		case "help":
			cmd.Example = "  candlemark help replay"
			cmd.RunE = func(_ *cobra.Command, args []string) error {
				topic, rest, err := root.Find(args)
				if err != nil || len(rest) > 0 {
					return usageError{fmt.Errorf("unknown help topic %q", strings.Join(args, " "))}
				}
				return topic.Help()
			}
		case "completion":
			cmd.Example = "  candlemark completion bash"
			cmd.RunE = func(cmd *cobra.Command, _ []string) error { return cmd.Help() }
			for _, shell := range cmd.Commands() {
				shell.Example = "  candlemark completion " + shell.Name()
			}
		}
	}
}

func noArgs(cmd *cobra.Command, args []string) error {
	if len(args) > 0 {
		return usageError{fmt.Errorf("%s takes no argument, got %q", cmd.CommandPath(), args[0])}
	}
	return nil
}

func exactArg(what string) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		if len(args) != 1 {
			return usageError{fmt.Errorf("%s takes one argument, %s, got %d", cmd.CommandPath(), what, len(args))}
		}
		return nil
	}
}
