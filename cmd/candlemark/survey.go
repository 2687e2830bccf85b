package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"candlemark/agent/control"
	"candlemark/agent/journal"
	"candlemark/agent/surveyor"
	"candlemark/probes/survey"
)

func newSurvey() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "survey",
		Short: "Compare arrangements of the link by repeated rounds, and say whether they differ",
		Long: `survey measures two or more arrangements (a wireless hop and a cable, a relay here
and there) in an order that cancels drift, and says better, worse, no difference
shown, or cannot tell and what would tell.

With an agent running, its own targets and transfers are measured and its journal
keeps the rounds. Without one, say what to measure; a file keeps them.`,
		Example: `  candlemark survey start stairwell --arrangement "A: wireless hop" --arrangement "B: wired hop"
  candlemark survey compare stairwell --plot stairwell.svg`,
		Args: noArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(newSurveyStart(), newSurveyContinue(), newSurveyStop(), newSurveyCompare(), newSurveyList())
	return cmd
}

// defaultSurveyFile keeps surveys where no agent does.
const defaultSurveyFile = "surveys.ndjson"

// surveySource is where surveys are kept.
type surveySource struct{ file, socket, journal string }

func surveyFlag(cmd *cobra.Command) *surveySource {
	var s surveySource
	cmd.Flags().StringVar(&s.file, "file", "", "`FILE` that keeps the surveys; lines are only added (default the running agent's journal, or "+defaultSurveyFile+" without one)")
	cmd.Flags().StringVar(&s.socket, "socket", "/run/candlemark/control.sock", "the running agent's control `SOCKET`")
	return &s
}

// readSurveys are the surveys that are kept, where, and what could not be read.
func (s *surveySource) read(ctx context.Context) (all []survey.Survey, where, caution string, err error) {
	fromFile := func(path string) ([]survey.Survey, string, string, error) {
		file := &surveyFile{path: path}
		records, err := file.Records()
		if file.damaged > 0 {
			caution = fmt.Sprintf("%s: left out what cannot be read, damaged lines: %d", path, file.damaged)
		}
		return survey.All(records), path, caution, err
	}
	if s.file != "" {
		return fromFile(s.file)
	}
	var records []survey.Record
	if s.journal != "" {
		err = offline(s.journal, func(j *journal.Journal) (err error) {
			left := 0
			leftOut := func(text string) {
				left++
				caution = fmt.Sprintf("%s: left out what cannot be read, records: %d; the last: %s", s.journal, left, text)
			}
			records, err = surveyor.NewStore(j, leftOut).Records()
			return err
		})
		return survey.All(records), s.journal, caution, err
	}
	err = talk(ctx, s.socket, func(ctx context.Context, c *control.Client) (err error) {
		records, err = c.Surveys(ctx)
		return err
	})
	if errors.Is(err, control.ErrNoAgent) {
		if _, statErr := os.Stat(defaultSurveyFile); statErr == nil {
			return fromFile(defaultSurveyFile)
		}
		return nil, "", "", fmt.Errorf("%w; or name what keeps the surveys with --file or --journal", err)
	}
	return survey.All(records), "the running agent", "", err
}

func journalFlag(cmd *cobra.Command, s *surveySource) {
	cmd.Flags().StringVar(&s.journal, "journal", "", "read this journal `FILE` of an agent that does not run")
}

func newSurveyList() *cobra.Command {
	cmd := &cobra.Command{
		Use:     "list",
		Short:   "List the surveys that are kept",
		Example: "  candlemark survey list\n  candlemark survey list --file surveys.ndjson",
		Args:    noArgs,
	}
	source := surveyFlag(cmd)
	journalFlag(cmd, source)
	f := formatFlag(cmd, formatText, formatJSON)
	type row struct {
		Name         string    `json:"name"`
		Begun        time.Time `json:"begun"`
		Made         int       `json:"rounds_made"`
		Declared     int       `json:"rounds_declared"`
		Arrangements []string  `json:"arrangements"`
	}
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		all, where, caution, err := source.read(cmd.Context())
		if err != nil {
			return err
		}
		rows := []row{}
		for _, s := range all {
			rows = append(rows, row{s.Plan.Name, s.Plan.Made, len(s.Rounds), len(s.Plan.Slots()), s.Plan.Arrangements})
		}
		w := cmd.OutOrStdout()
		if *f == formatJSON {
			return printJSON(w, *f, rows)
		}
		for _, r := range rows {
			fmt.Fprintf(w, "%-20s %s  %d of %d rounds  %s\n", r.Name, r.Begun.Local().Format("2006-01-02 15:04"), r.Made, r.Declared, strings.Join(r.Arrangements, " / "))
		}
		if len(rows) == 0 {
			fmt.Fprintf(w, "no surveys in %s\n", where)
		}
		if caution != "" {
			fmt.Fprintln(w, caution)
		}
		return nil
	}
	return cmd
}

func questionNames() string {
	var names []string
	for _, q := range survey.Questions() {
		names = append(names, string(q))
	}
	return strings.Join(names, ", ")
}
