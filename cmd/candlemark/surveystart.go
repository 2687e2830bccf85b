package main

import (
	"errors"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"candlemark/agent/control"
	"candlemark/agent/secret"
	"candlemark/agent/surveyor"
	"candlemark/probes"
	"candlemark/probes/latency"
	"candlemark/probes/reflector"
	"candlemark/probes/survey"
	"candlemark/probes/throughput"
)

// surveyFlags are what survey start is told.
type surveyFlags struct {
	arrangements            []string
	rounds, more            int
	primary, section, order string
	threshold               float64
	place, changed          string
	hop, uplink, server     string
	reflector, tokenFile    string
	byteBudget              int64
	deadline, settle        time.Duration
	yes                     bool
}

func newSurveyStart() *cobra.Command {
	var fl surveyFlags
	cmd := &cobra.Command{
		Use:   "start NAME",
		Short: "Begin a survey, or go on with one, and be guided through its rounds",
		Long: `start declares a survey and guides through its rounds. Before each round that needs
another arrangement it asks for it and waits for Enter; what is typed before Enter
is kept as what was changed. Stopped with Ctrl-C, it goes on where it was when
started again with the same name and the same probes.

With an agent running nothing more need be said: the agent measures, with its own
targets and transfers, between its own probes and within its data budget. Without
one, or to measure something else, say what: --hop, --uplink, --throughput,
--reflector.

Every round runs the same probes, which cost data: the throughput probe up to its
byte budget each round. What matters and the question that decides are declared
now and cannot be changed later.`,
		Example: `  candlemark survey start stairwell --arrangement "A: wireless hop" --arrangement "B: wired hop"
  candlemark survey start cellar --arrangement "A: wireless hop" --arrangement "B: wired hop" --hop 192.0.2.1 --uplink 198.51.100.1
  candlemark survey start stairwell --more 4`,
		Args: exactArg("the survey's name"),
	}
	f := cmd.Flags()
	f.StringArrayVar(&fl.arrangements, "arrangement", nil, "an `ARRANGEMENT` to compare, \"A: wireless hop\"; give two to four, the first being the one the others are held against")
	f.IntVar(&fl.rounds, "rounds", survey.DefaultRounds, "`NUMBER` of rounds of each arrangement")
	f.IntVar(&fl.more, "more", 0, "add this `NUMBER` of rounds of each arrangement to a survey that is there")
	f.StringVar(&fl.primary, "primary", "", "the `QUESTION` that decides: "+questionNames()+" (default throughput_down where it is measured, else latency)")
	f.StringVar(&fl.section, "judge", "", "the `SECTION` the questions are asked of: hop or uplink (default uplink where it is probed)")
	f.StringVar(&fl.order, "order", "counterbalanced", "the `ORDER`: counterbalanced (A B B A …) or in_runs (A A B B B B A A), which changes less often and tells less")
	f.Float64Var(&fl.threshold, "matters", 100*survey.DefaultThreshold, "the least difference that matters, in `PERCENT` of A")
	f.StringVar(&fl.place, "place", "", "`WHERE` it is measured")
	f.StringVar(&fl.changed, "changed", "", "`WHAT` is changed between the arrangements, kept with each round")
	f.StringVar(&fl.hop, "hop", "", "`ADDRESS` of the near element, for latency and loss of the hop")
	f.StringVar(&fl.uplink, "uplink", "", "`ADDRESS` of a far host, for latency and loss end to end")
	f.StringVar(&fl.server, "throughput", "", "base `URL` of a throughput server")
	f.StringVar(&fl.reflector, "reflector", "", "base `URL` of a reflector at the near-source side, for throughput of the hop")
	f.StringVar(&fl.tokenFile, "token-file", "", "`FILE` that holds the reflector's token")
	f.Int64Var(&fl.byteBudget, "byte-budget", throughput.DefaultMaxBytes, "the most `BYTES` of one throughput probe, a plain number: 20 MB is 20000000")
	f.DurationVar(&fl.deadline, "deadline", throughput.DefaultDeadline, "the most `TIME` of one direction of a throughput probe")
	f.DurationVar(&fl.settle, "settle", surveyor.DefaultSettle, "wait this `TIME` after a change before measuring")
	f.BoolVar(&fl.yes, "yes", false, "do not ask, for scripts: whatever runs this changes the arrangement")
	source := surveyFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if !fl.own() && source.file == "" {
			err := fl.withAgent(cmd, args[0], source.socket)
			if errors.Is(err, control.ErrNoAgent) {
				return usageError{fmt.Errorf("%w; or say what to measure with --hop, --uplink, --throughput or --reflector", err)}
			}
			return err
		}
		path := source.file
		if path == "" {
			path = defaultSurveyFile
		}
		return fl.alone(cmd, args[0], &surveyFile{path: path})
	}
	return cmd
}

// own says whether it was said what to measure.
func (fl *surveyFlags) own() bool {
	return fl.hop != "" || fl.uplink != "" || fl.server != "" || fl.reflector != ""
}

func (fl *surveyFlags) wanted(name string) survey.Wanted {
	return survey.Wanted{
		Name: name, Arrangements: fl.arrangements, Rounds: fl.rounds, More: fl.more, Order: survey.Order(fl.order), Primary: survey.Question(fl.primary),
		Section: probes.Section(fl.section), Threshold: fl.threshold / 100, Place: fl.place,
	}
}

// alone makes a survey without an agent.
func (fl *surveyFlags) alone(cmd *cobra.Command, name string, file *surveyFile) error {
	set, err := fl.set()
	if err != nil {
		return err
	}
	s, err := survey.Open(file, fl.wanted(name), set, time.Now())
	if wrong := (*survey.AskedError)(nil); errors.As(err, &wrong) {
		return usageError{err}
	}
	if err != nil {
		return err
	}
	w := cmd.OutOrStdout()
	report := func(r survey.Round) { fmt.Fprintln(w, surveyor.Line(s.Plan, r)) }
	if err := survey.Run(cmd.Context(), file, s, set, fl.asker(cmd, s), report); err != nil {
		return fmt.Errorf("%w; start it again with the same name to go on", err)
	}
	fmt.Fprintf(w, "all rounds are made: candlemark survey compare %s --file %s\n", s.Plan.Name, file.path)
	return nil
}

// set makes what every round runs.
func (fl *surveyFlags) set() (set survey.Set, err error) {
	set.LoadLead = loadLead
	for _, t := range []struct {
		name, address string
		section       probes.Section
	}{{"hop", fl.hop, probes.Hop}, {"uplink", fl.uplink, probes.Uplink}} {
		if t.address == "" {
			continue
		}
		p, err := latency.New(latency.Config{Name: t.name, Section: t.section, Address: t.address})
		if err != nil {
			return set, usageError{fmt.Errorf("--%s: %w", t.name, err)}
		}
		set.Latency = append(set.Latency, survey.Measure{Prober: p, Section: t.section,
			Words: fmt.Sprintf("latency of the %s, %s, %d packets", t.name, t.address, latency.DefaultCount)})
	}
	if fl.server != "" {
		section := fl.served()
		p, err := throughput.New(throughput.Config{
			Name: "throughput", Section: section, Server: fl.server, MaxBytes: fl.byteBudget, Deadline: fl.deadline, Down: true, Up: true,
		})
		if err != nil {
			return set, usageError{fmt.Errorf("--throughput: %w", err)}
		}
		set.Load = append(set.Load, survey.Measure{Prober: p, Section: section, MaxBytes: fl.byteBudget,
			Words: fmt.Sprintf("throughput of the %s, %s, at most %d bytes, %v each way", section, fl.server, fl.byteBudget, fl.deadline)})
	}
	if fl.reflector != "" {
		p, err := fl.toReflector()
		if err != nil {
			return set, err
		}
		set.Load = append(set.Load, survey.Measure{Prober: p, Section: probes.Hop, MaxBytes: fl.byteBudget,
			Words: fmt.Sprintf("throughput of the hop, %s, at most %d bytes, %v each way", fl.reflector, fl.byteBudget, fl.deadline)})
	}
	if len(set.Words()) == 0 {
		return set, usageError{errors.New("nothing to measure: give --hop, --uplink, --throughput, --reflector or several of them")}
	}
	return set, nil
}

// served is the section that --throughput stands for: the one that is judged.
func (fl *surveyFlags) served() probes.Section {
	if fl.section != "" {
		return probes.Section(fl.section)
	}
	return probes.Uplink
}

// toReflector is the throughput of the hop. The token is in a file, since other
// users of the host see a command's flags.
func (fl *surveyFlags) toReflector() (probes.Prober, error) {
	var token string
	if fl.tokenFile != "" {
		var err error
		if token, err = secret.Read(fl.tokenFile); err != nil {
			return nil, fmt.Errorf("--token-file: %w", err)
		}
	}
	p, err := reflector.New(reflector.Config{
		Name: "reflector", Section: probes.Hop, Reflector: fl.reflector, Token: token,
		MaxBytes: fl.byteBudget, Deadline: fl.deadline, Down: true, Up: true, Working: true,
	})
	if err != nil {
		return nil, usageError{fmt.Errorf("--reflector: %w", err)}
	}
	return p, nil
}
