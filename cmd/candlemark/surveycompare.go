package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"candlemark/probes/survey"
)

func newSurveyCompare() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "compare NAME",
		Short: "Say whether the arrangements of a survey differ",
		Example: `  candlemark survey compare stairwell
  candlemark survey compare stairwell --format json --plot stairwell.svg`,
		Args: exactArg("the survey's name"),
	}
	source := surveyFlag(cmd)
	journalFlag(cmd, source)
	plot := cmd.Flags().String("plot", "", "also draw it into this SVG `FILE`; with more than two arrangements, one file for each against A")
	f := formatFlag(cmd, formatText, formatJSON)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		all, where, caution, err := source.read(cmd.Context())
		if err != nil {
			return err
		}
		for _, s := range all {
			if s.Plan.Name != args[0] {
				continue
			}
			r := survey.Compare(s)
			if caution != "" {
				r.Cautions = append(r.Cautions, caution)
			}
			if *plot != "" {
				if err := writePlots(*plot, r); err != nil {
					return err
				}
			}
			if *f == formatJSON {
				return printJSON(cmd.OutOrStdout(), *f, r)
			}
			return survey.WriteText(cmd.OutOrStdout(), r)
		}
		return fmt.Errorf("%s: survey %s: %w", where, args[0], survey.ErrNotFound)
	}
	return cmd
}

func writePlots(path string, r survey.Report) error {
	for i, c := range r.Comparisons {
		name := path
		if i > 0 {
			ext := filepath.Ext(path)
			name = strings.TrimSuffix(path, ext) + "-" + c.Other + ext
		}
		var b strings.Builder
		if err := survey.WriteSVG(&b, r, c); err != nil {
			return err
		}
		if err := os.WriteFile(name, []byte(b.String()), 0o644); err != nil {
			return err
		}
	}
	return nil
}
