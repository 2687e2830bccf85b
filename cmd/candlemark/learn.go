package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"

	"github.com/spf13/cobra"

	"candlemark/agent"
	"candlemark/agent/config"
	"candlemark/agent/journal"
	"candlemark/agent/pack"
)

func newLearn() *cobra.Command {
	var packPath, out, mark, jnl string
	var traces []string
	cmd := &cobra.Command{
		Use:   "learn --pack PACK.yaml --trace RUN.csv [--trace ...] (--out PROFILE.json | --journal FILE --mark MARK)",
		Short: "Learn a pack from recorded discharges",
		Long: `learn takes recorded discharges of one pack, oldest first, whole or partial, and
writes what they teach: into a profile file that replay takes with --profile, or
into the journal of an agent that is not running, under the mark of the pack. A
profile that is there already is carried on.`,
		Example: `  candlemark learn --pack pack.yaml --trace monday.csv --trace tuesday.csv --out b3.json
  candlemark learn --pack pack.yaml --trace monday.csv --journal /var/lib/candlemark/journal.db --mark B3`,
		Args: noArgs,
	}
	fl := cmd.Flags()
	fl.StringVar(&packPath, "pack", "", "what is known of the pack, a YAML `FILE`")
	fl.StringArrayVar(&traces, "trace", nil, "a recorded discharge, a CSV `FILE`; repeat it, oldest first")
	fl.StringVar(&out, "out", "", "profile `FILE` to write or carry on")
	fl.StringVar(&jnl, "journal", "", "journal `FILE` to write into while no agent runs")
	fl.StringVar(&mark, "mark", "", "`MARK` written on the pack; goes with --journal")
	_ = cmd.MarkFlagRequired("pack")
	_ = cmd.MarkFlagRequired("trace")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		if (out == "") == (jnl == "") || (jnl == "") != (mark == "") {
			return usageError{errors.New("learn wants either --out, or --journal together with --mark")}
		}
		file, err := config.LoadPackFile(packPath)
		if err != nil {
			return err
		}
		learn := func(prof *pack.Profile) (*pack.Profile, error) {
			return learnTraces(cmd, prof, file.Spec(), traces)
		}
		say := func(prof *pack.Profile) {
			verdict, why := prof.Verdict(file.Spec())
			fmt.Fprintf(cmd.OutOrStdout(), "learned %s; verdict: %s, %s\n", count(len(traces), "discharge"), verdict, why)
		}
		if out != "" {
			prof, err := readProfile(out)
			if err != nil && !errors.Is(err, fs.ErrNotExist) {
				return err
			}
			if prof, err = learn(prof); err != nil {
				return err
			}
			say(prof)
			return writeProfile(out, prof)
		}
		return offline(jnl, func(j *journal.Journal) error {
			var known agent.KnownPack // its profile stays nil where the mark is new
			if _, err := j.Profile(mark, &known); err != nil {
				return err
			}
			prof, err := learn(known.Profile)
			if err != nil {
				return err
			}
			say(prof)
			return errors.Join(j.PutProfile(mark, agent.KnownPack{Spec: file.Spec(), Profile: prof}), j.Flush())
		})
	}
	return cmd
}

// learnTraces adds recorded discharges, oldest first, to a profile; nil is none yet.
func learnTraces(cmd *cobra.Command, prof *pack.Profile, spec pack.Spec, paths []string) (*pack.Profile, error) {
	for _, path := range paths {
		rows, err := readTrace(path, cmd.InOrStdin())
		if err != nil {
			return nil, err
		}
		if prof, err = pack.Learn(prof, spec, samples(rows)); err != nil {
			return nil, fmt.Errorf("learn from %s: %w", path, err)
		}
	}
	return prof, nil
}

func readProfile(path string) (*pack.Profile, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	var prof pack.Profile
	if err := json.Unmarshal(data, &prof); err != nil {
		return nil, fmt.Errorf("profile %s: %w; it is not one that learn wrote", path, err)
	}
	return &prof, nil
}

func writeProfile(path string, prof *pack.Profile) error {
	data, err := json.Marshal(prof)
	if err != nil {
		return err
	}
	return os.WriteFile(path, append(data, '\n'), 0o644)
}
