package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"candlemark/probes"
	"candlemark/probes/latency"
	"candlemark/probes/reflector"
	"candlemark/probes/survey"
	"candlemark/probes/throughput"
)

func newSurvey() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "survey",
		Short: "Compare arrangements of the link by repeated rounds, and say whether they differ",
		Long: `survey measures two or more arrangements (a wireless hop and a cable, a relay here
and there) in an order that cancels drift, and says better, worse, no difference
shown, or cannot tell and what would tell.`,
		Example: `  candlemark survey start stairwell --arrangement "A: wireless hop" --arrangement "B: wired hop" --uplink 192.0.2.1
  candlemark survey compare stairwell --plot stairwell.svg`,
		Args: noArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(newSurveyStart(), newSurveyCompare(), newSurveyList())
	return cmd
}

func surveyFileFlag(cmd *cobra.Command) *surveyFile {
	f := &surveyFile{}
	cmd.Flags().StringVar(&f.path, "file", "surveys.ndjson", "`FILE` that keeps the surveys; lines are only added")
	return f
}

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
		Long: `start declares a survey and runs its rounds. Before each round that needs another
arrangement it asks for it and waits for Enter; what is typed before Enter is kept
as what was changed. Stopped with Ctrl-C, it goes on where it was when started
again with the same name and the same probes.

Every round runs the same probes, which cost data: the throughput probe up to its
byte budget each round. What matters and the question that decides are declared
now and cannot be changed later.`,
		Example: `  candlemark survey start stairwell --arrangement "A: wireless hop" --arrangement "B: wired hop" --hop 192.0.2.1 --uplink 198.51.100.1
  candlemark survey start stairwell --more 4 --hop 192.0.2.1 --uplink 198.51.100.1`,
		Args: exactArg("the survey's name"),
	}
	f := cmd.Flags()
	f.StringArrayVar(&fl.arrangements, "arrangement", nil, "an `ARRANGEMENT` to compare, \"A: wireless hop\"; give two to four, the first being the one the others are held against")
	f.IntVar(&fl.rounds, "rounds", survey.DefaultRounds, "rounds of each arrangement")
	f.IntVar(&fl.more, "more", 0, "add this many rounds of each arrangement to a survey that is there")
	f.StringVar(&fl.primary, "primary", "", "the `QUESTION` that decides: "+questionNames()+" (default throughput_down where it is measured, else latency)")
	f.StringVar(&fl.section, "judge", "", "the `SECTION` the questions are asked of: hop or uplink (default uplink where it is probed)")
	f.StringVar(&fl.order, "order", "counterbalanced", "the `ORDER`: counterbalanced (A B B A …) or in_runs (A A B B B B A A), which changes less often and tells less")
	f.Float64Var(&fl.threshold, "matters", 100*survey.DefaultThreshold, "the least difference that matters, in `PERCENT` of A")
	f.StringVar(&fl.place, "place", "", "where it is measured")
	f.StringVar(&fl.changed, "changed", "", "what is changed between the arrangements, kept with each round")
	f.StringVar(&fl.hop, "hop", "", "`ADDRESS` of the near element, for latency and loss of the hop")
	f.StringVar(&fl.uplink, "uplink", "", "`ADDRESS` of a far host, for latency and loss end to end")
	f.StringVar(&fl.server, "throughput", "", "base `URL` of a throughput server")
	f.StringVar(&fl.reflector, "reflector", "", "base `URL` of a reflector at the near-source side, for throughput of the hop")
	f.StringVar(&fl.tokenFile, "token-file", "", "`FILE` that holds the reflector's token")
	f.Int64Var(&fl.byteBudget, "byte-budget", throughput.DefaultMaxBytes, "the most `BYTES` of one throughput probe")
	f.DurationVar(&fl.deadline, "deadline", throughput.DefaultDeadline, "the most time of one direction of a throughput probe")
	f.DurationVar(&fl.settle, "settle", 10*time.Second, "wait this long after a change before measuring")
	f.BoolVar(&fl.yes, "yes", false, "do not ask, for scripts: whatever runs this changes the arrangement")
	file := surveyFileFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		set, words, err := fl.probers()
		if err != nil {
			return err
		}
		s, err := fl.open(file, args[0], words)
		if err != nil {
			return err
		}
		ask := fl.asker(cmd, s)
		if err := survey.Run(cmd.Context(), file, s, set, ask, reporter(cmd.OutOrStdout(), s)); err != nil {
			return fmt.Errorf("%w; start it again with the same name to go on", err)
		}
		fmt.Fprintf(cmd.OutOrStdout(), "all rounds are made: candlemark survey compare %s --file %s\n", s.Plan.Name, file.path)
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

// judged is the section that the questions are asked of.
func (fl *surveyFlags) judged() probes.Section {
	switch {
	case fl.section != "":
		return probes.Section(fl.section)
	case fl.uplink == "" && fl.server == "" && (fl.hop != "" || fl.reflector != ""):
		return probes.Hop
	}
	return probes.Uplink
}

// probers makes what every round runs, and says it in words.
func (fl *surveyFlags) probers() (set survey.Set, words []string, err error) {
	set.LoadLead = 2 * time.Second // the ramp-up that the throughput probe leaves out
	for _, t := range []struct {
		name, address string
		section       probes.Section
	}{{"hop", fl.hop, probes.Hop}, {"uplink", fl.uplink, probes.Uplink}} {
		if t.address == "" {
			continue
		}
		p, err := latency.New(latency.Config{Name: t.name, Section: t.section, Address: t.address})
		if err != nil {
			return set, nil, usageError{fmt.Errorf("--%s: %w", t.name, err)}
		}
		set.Latency = append(set.Latency, p)
		words = append(words, fmt.Sprintf("latency of the %s, %s, %d packets", t.name, t.address, latency.DefaultCount))
	}
	if fl.server != "" {
		p, err := throughput.New(throughput.Config{
			Name: "throughput", Section: fl.judged(), Server: fl.server, MaxBytes: fl.byteBudget, Deadline: fl.deadline, Down: true, Up: true,
		})
		if err != nil {
			return set, nil, usageError{fmt.Errorf("--throughput: %w", err)}
		}
		set.Load = append(set.Load, p)
		words = append(words, fmt.Sprintf("throughput of the %s, %s, at most %d bytes, %v each way", fl.judged(), fl.server, fl.byteBudget, fl.deadline))
	}
	if fl.reflector != "" {
		p, err := fl.toReflector()
		if err != nil {
			return set, nil, err
		}
		set.Load = append(set.Load, p)
		words = append(words, fmt.Sprintf("throughput of the hop, %s, at most %d bytes, %v each way", fl.reflector, fl.byteBudget, fl.deadline))
	}
	if len(words) == 0 {
		return set, nil, usageError{errors.New("nothing to measure: give --hop, --uplink, --throughput, --reflector or several of them")}
	}
	return set, words, nil
}

// toReflector is the throughput of the hop. The token is in a file, since other
// users of the host see a command's flags.
func (fl *surveyFlags) toReflector() (probes.Prober, error) {
	var token []byte
	if fl.tokenFile != "" {
		var err error
		if token, err = os.ReadFile(fl.tokenFile); err != nil {
			return nil, err
		}
	}
	p, err := reflector.New(reflector.Config{
		Name: "reflector", Section: probes.Hop, Reflector: fl.reflector, Token: strings.TrimSpace(string(token)),
		MaxBytes: fl.byteBudget, Deadline: fl.deadline, Down: true, Up: true, Working: true,
	})
	if err != nil {
		return nil, usageError{fmt.Errorf("--reflector: %w", err)}
	}
	return p, nil
}

// loads says whether throughput is measured in the judged section.
func (fl *surveyFlags) loads() bool {
	return fl.server != "" || fl.reflector != "" && fl.judged() == probes.Hop
}

// open finds the survey or declares it.
func (fl *surveyFlags) open(file *surveyFile, name string, words []string) (survey.Survey, error) {
	s, err := survey.Find(file, name)
	switch {
	case errors.Is(err, survey.ErrNotFound) && fl.more > 0:
		return s, usageError{fmt.Errorf("--more: there is no survey %s in %s", name, file.path)}
	case errors.Is(err, survey.ErrNotFound):
		p, err := fl.plan(name, words)
		if err != nil {
			return s, err
		}
		return survey.Begin(file, p)
	case err != nil:
		return s, err
	}
	if !slices.Equal(s.Plan.Probes, words) {
		return s, usageError{fmt.Errorf("survey %s was begun with other probes, and rounds of different probes cannot be compared: it has %s; now %s",
			name, strings.Join(s.Plan.Probes, "; "), strings.Join(words, "; "))}
	}
	if arrangements, err := fl.names(); err != nil {
		return s, err
	} else if len(arrangements) > 0 && !slices.Equal(arrangements, s.Plan.Arrangements) {
		return s, usageError{fmt.Errorf("survey %s was begun with other arrangements; take another name", name)}
	}
	if fl.more > 0 {
		if slot, left := s.Next(); left {
			return s, fmt.Errorf("survey %s: round %d is still to be made; add rounds when the declared ones are done", name, slot+1)
		}
		return survey.AddRounds(file, s, fl.more, time.Now())
	}
	return s, nil
}

func (fl *surveyFlags) plan(name string, words []string) (survey.Plan, error) {
	arrangements, err := fl.names()
	if err != nil {
		return survey.Plan{}, err
	}
	p := survey.Plan{
		Name: name, Arrangements: arrangements, Rounds: fl.rounds, Order: survey.Order(fl.order), Primary: survey.Question(fl.primary),
		Section: fl.judged(), Threshold: fl.threshold / 100, LossShare: survey.DefaultLossShare, Place: fl.place, Probes: words, Made: time.Now(),
	}
	if p.Primary == "" {
		p.Primary = survey.Latency
		if fl.loads() {
			p.Primary = survey.Down
		}
	}
	if err := p.Check(); err != nil {
		return p, usageError{err}
	}
	loads := slices.Contains([]survey.Question{survey.Down, survey.Up, survey.Loaded}, p.Primary)
	waits := !slices.Contains([]survey.Question{survey.Down, survey.Up}, p.Primary)
	switch address := map[probes.Section]string{probes.Hop: fl.hop, probes.Uplink: fl.uplink}[p.Section]; {
	case loads && !fl.loads():
		return p, usageError{fmt.Errorf("--primary %s needs --throughput, or for the hop --reflector", p.Primary)}
	case waits && address == "":
		return p, usageError{fmt.Errorf("--primary %s needs --%s", p.Primary, p.Section)}
	}
	return p, nil
}

// names takes the letters off "A: wireless hop".
func (fl *surveyFlags) names() ([]string, error) {
	var all []string
	for i, a := range fl.arrangements {
		if letter, rest, ok := strings.Cut(a, ":"); ok && len(letter) == 1 {
			if letter != survey.Letter(i) {
				return nil, usageError{fmt.Errorf("--arrangement %q: it is number %d, so its letter is %s", a, i+1, survey.Letter(i))}
			}
			a = rest
		}
		all = append(all, strings.TrimSpace(a))
	}
	return all, nil
}

// asker asks the operator for each arrangement, on standard error, so that the
// output stays what was measured.
func (fl *surveyFlags) asker(cmd *cobra.Command, s survey.Survey) func(context.Context, survey.Turn) (survey.Note, error) {
	var lines <-chan string
	w := cmd.ErrOrStderr()
	return func(ctx context.Context, t survey.Turn) (survey.Note, error) {
		note := survey.Note{Place: s.Plan.Place, Changed: fl.changed}
		if fl.place != "" {
			note.Place = fl.place
		}
		fmt.Fprintf(w, "round %d of %d: arrangement %s, %s\n", t.Slot+1, t.Of, survey.Letter(t.Arrangement), t.Name)
		if !t.Change {
			return note, nil
		}
		if !fl.yes {
			fmt.Fprint(w, "Set it up, then press Enter; what you type before is kept as what was changed: ")
			if lines == nil {
				lines = readLines(cmd.InOrStdin())
			}
			select {
			case <-ctx.Done():
				return note, context.Cause(ctx)
			case line, ok := <-lines:
				if !ok {
					return note, errors.New("standard input has ended; use --yes where nobody answers")
				}
				if line = strings.TrimSpace(line); line != "" {
					note.Changed = line
				}
			}
		}
		select {
		case <-ctx.Done():
			return note, context.Cause(ctx)
		case <-time.After(fl.settle):
			return note, nil
		}
	}
}

// readLines reads in the background, since a read of a terminal cannot be called
// off; it ends with its input.
func readLines(r io.Reader) <-chan string {
	lines := make(chan string)
	go func() {
		defer close(lines)
		for s := bufio.NewScanner(r); s.Scan(); {
			lines <- s.Text()
		}
	}()
	return lines
}

func reporter(w io.Writer, s survey.Survey) func(survey.Round) {
	return func(r survey.Round) {
		fmt.Fprintf(w, "%s  %s", r.Start.Local().Format("15:04:05"), survey.Letter(r.Arrangement))
		for _, f := range r.Figures {
			if f.Section == s.Plan.Section {
				fmt.Fprintf(w, "  %s %s", f.Question, f)
			}
		}
		fmt.Fprintln(w)
	}
}

func newSurveyCompare() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "compare NAME",
		Short: "Say whether the arrangements of a survey differ",
		Example: `  candlemark survey compare stairwell
  candlemark survey compare stairwell --format json --plot stairwell.svg`,
		Args: exactArg("the survey's name"),
	}
	file := surveyFileFlag(cmd)
	plot := cmd.Flags().String("plot", "", "also draw it into this SVG `FILE`; with more than two arrangements, one file for each against A")
	f := formatFlag(cmd, formatText, formatJSON)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		s, err := survey.Find(file, args[0])
		if err != nil {
			return fmt.Errorf("%s: %w", file.path, err)
		}
		r := survey.Compare(s)
		if file.damaged > 0 {
			r.Cautions = append(r.Cautions, fmt.Sprintf("%s: left out what cannot be read, damaged lines: %d", file.path, file.damaged))
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

func newSurveyList() *cobra.Command {
	cmd := &cobra.Command{
		Use:     "list",
		Short:   "List the surveys of a file",
		Example: "  candlemark survey list --file surveys.ndjson",
		Args:    noArgs,
	}
	file := surveyFileFlag(cmd)
	f := formatFlag(cmd, formatText, formatJSON)
	type row struct {
		Name         string    `json:"name"`
		Begun        time.Time `json:"begun"`
		Made         int       `json:"rounds_made"`
		Declared     int       `json:"rounds_declared"`
		Arrangements []string  `json:"arrangements"`
	}
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		records, err := file.Records()
		if err != nil {
			return err
		}
		rows := []row{}
		for _, s := range survey.All(records) {
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
			fmt.Fprintf(w, "no surveys in %s\n", file.path)
		}
		if file.damaged > 0 {
			fmt.Fprintf(w, "damaged lines, left out: %d\n", file.damaged)
		}
		return nil
	}
	return cmd
}
