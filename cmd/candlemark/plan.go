package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"github.com/spf13/cobra"

	"candlemark/agent/plan"
	"candlemark/agent/plan/planfile"
	"candlemark/agent/plan/planpage"
)

const formatHTML format = "html" // a page to print

// mostPlan bounds what is read of a plan file; its parser bounds it again.
const mostPlan = 1 << 20

func newPlan() *cobra.Command {
	var full bool
	var from string
	cmd := &cobra.Command{
		Use:   "plan FILE",
		Short: "Before cable is cut: will it run, how long, with which fuse",
		Long: `plan reads what there is (packs, converters, cable, loads) and the arrangements
in question, and says whether each runs, for how long with low, expected and
high figures, what gives way first, which fuse it needs, and which arrangement to
take. It also gives the order of swaps and when a generator must be there.

FILE is YAML; - reads standard input. Every quantity carries its unit: 30m or
100ft, 23AWG or 0.5mm², 90Wh or 5Ah, 6.5W, 48V, 20mΩ. "candlemark plan example"
writes a commented file to start from.

The figures are an aid to a trained operator; ` + plan.Governs + `.
Exit code 0 also where nothing runs: the answer is the first line.`,
		Example: `  candlemark plan example > plan.yaml
  candlemark plan plan.yaml
  candlemark plan plan.yaml --format html > plan.html
  candlemark plan plan.yaml --from 18:30 --full`,
		Args: exactArg("the plan file"),
	}
	cmd.Flags().BoolVar(&full, "full", false, "show every arrangement in detail, and the rules behind the figures")
	cmd.Flags().StringVar(&from, "from", "", "when the packs go into use, `HH:MM` today; now when left out")
	f := formatFlag(cmd, formatText, formatJSON, formatHTML)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		now := time.Now()
		start, err := startTime(from, now)
		if err != nil {
			return usageError{err}
		}
		data, name, err := readPlan(args[0], cmd.InOrStdin())
		if err != nil {
			return err
		}
		p, err := planfile.Parse(data, name)
		if err != nil {
			return err
		}
		report := p.Evaluate()
		if len(p.Arrangements) > 0 {
			addRotation(p, &report, start)
		}
		options := planpage.Options{Full: full, Made: now}
		switch *f {
		case formatJSON:
			return printJSON(cmd.OutOrStdout(), *f, report)
		case formatHTML:
			return planpage.HTML(cmd.OutOrStdout(), report, options)
		}
		return planpage.Text(cmd.OutOrStdout(), report, options)
	}
	cmd.AddCommand(newPlanExample())
	return cmd
}

func newPlanExample() *cobra.Command {
	return &cobra.Command{
		Use:     "example",
		Short:   "Write a commented plan to start from",
		Example: "  candlemark plan example > plan.yaml",
		Args:    noArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			_, err := cmd.OutOrStdout().Write(planfile.Example())
			return err
		},
	}
}

// addRotation puts the swaps of the recommended arrangement into the report, or why there are none.
func addRotation(p plan.Plan, r *plan.Report, start time.Time) {
	duty, err := p.Duty(*r, r.Recommended, start)
	if errors.Is(err, plan.ErrNoPacks) {
		return
	}
	if err != nil {
		r.RotationWhy = err.Error()
		return
	}
	s, err := duty.Rotate()
	if err != nil {
		r.RotationWhy = err.Error()
		return
	}
	r.Rotation = &s
	if len(p.Stock.Packs) > 0 && !s.Sustained { // the first figure takes every pack as full
		r.Answer += fmt.Sprintf("; as the packs stand until %s (low) / %s (expected)", plan.Clock(s.UpLow, start), plan.Clock(s.UpExpected, start))
	}
}

// startTime reads HH:MM on the day of now; text "" is now.
func startTime(text string, now time.Time) (time.Time, error) {
	if text == "" {
		return now, nil
	}
	t, err := time.Parse("15:04", text)
	if err != nil {
		return now, fmt.Errorf("--from %s: not a time of day; write it like 18:30", text)
	}
	return time.Date(now.Year(), now.Month(), now.Day(), t.Hour(), t.Minute(), 0, 0, now.Location()), nil
}

func readPlan(path string, stdin io.Reader) (data []byte, name string, err error) {
	if path == "-" {
		data, err = io.ReadAll(io.LimitReader(stdin, mostPlan))
		return data, "standard input", err
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, "", fmt.Errorf("plan: %w", err)
	}
	defer f.Close()
	data, err = io.ReadAll(io.LimitReader(f, mostPlan))
	return data, path, err
}
