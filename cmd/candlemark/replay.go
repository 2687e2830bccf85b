package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"candlemark/agent"
	"candlemark/agent/alarm"
	"candlemark/agent/config"
	"candlemark/agent/pack"
	"candlemark/sensors"
	"candlemark/sensors/trace"
)

func newReplay() *cobra.Command {
	var packPath, tracePath, profilePath, plotPath string
	var learn, leads []string
	cmd := &cobra.Command{
		Use:   "replay --pack PACK.yaml [--learn EARLIER.csv ...] --trace RUN.csv",
		Short: "Send a recorded discharge through the agent's own decisions",
		Long: `replay feeds a recorded discharge (CSV: t_s,voltage_v,current_a,temp_c; current
positive on discharge) to the same step that the running agent uses, and prints
what it would have said at each row. Earlier discharges of the same pack, oldest
first, may be given to learn from. With --plot it also draws the forecast with its
range against what came true.

PACK.yaml has chemistry, series_cells, capacity_ah and cutoff_v (of the whole
pack), and may have name, full_v, lockout_v, far_end_minimum_v, cell_cutoff_v and
feed_resistance_ohm.`,
		Example: `  candlemark replay --pack testdata/pack.yaml --trace testdata/discharge.csv
  candlemark replay --pack pack.yaml --learn monday.csv --learn tuesday.csv --trace today.csv --format ndjson`,
		Args: noArgs,
	}
	fl := cmd.Flags()
	fl.StringVar(&packPath, "pack", "", "what is known of the pack, a YAML `FILE`")
	fl.StringArrayVar(&learn, "learn", nil, "an earlier discharge of the same pack, a CSV `FILE`; repeat it, oldest first")
	fl.StringVar(&profilePath, "profile", "", "what learn wrote of the same pack, a JSON `FILE`")
	fl.StringVar(&tracePath, "trace", "", "the discharge to replay, a CSV `FILE`, or - for standard input")
	fl.StringVar(&plotPath, "plot", "", "draw the forecast against what came true into `FILE`, an SVG picture")
	fl.StringArrayVar(&leads, "lead", nil, "lead time of the shut-down warning, or `[ALARM=]DURATION` for one alarm; repeat it for several")
	_ = cmd.MarkFlagRequired("pack")
	_ = cmd.MarkFlagRequired("trace")
	f := formatFlag(cmd, formatText, formatNDJSON)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		ld, err := parseLeads(leads)
		if err != nil {
			return usageError{err}
		}
		file, err := config.LoadPackFile(packPath)
		if err != nil {
			return err
		}
		spec := file.Spec()
		var prof *pack.Profile
		if profilePath != "" {
			if prof, err = readProfile(profilePath); err != nil {
				return err
			}
		}
		if prof, err = learnTraces(cmd, prof, spec, learn); err != nil {
			return err
		}
		rows, err := readTrace(tracePath, cmd.InOrStdin())
		if err != nil {
			return err
		}
		w := bufio.NewWriter(cmd.OutOrStdout())
		var show interface{ row(replayed) }
		var end func() error
		if *f == formatNDJSON {
			enc := json.NewEncoder(w)
			show, end = ndjsonRows{enc}, w.Flush
		} else {
			text := &textRows{w: w, spec: spec, learned: len(learn), leads: ld}
			show, end = text, func() error { text.summary(); return w.Flush() }
		}
		var drawn []replayed
		out := show.row
		if plotPath != "" {
			out = func(r replayed) { show.row(r); drawn = append(drawn, r) }
		}
		if err := replay(spec, prof, ld, rows, out); err != nil {
			return err
		}
		if err := end(); err != nil || plotPath == "" {
			return err
		}
		return writePlot(plotPath, spec, prof != nil, drawn)
	}
	return cmd
}

// replayed is what the agent would have said at one row.
type replayed struct {
	T        time.Duration
	PackV    float64
	PackA    float64
	Forecast pack.Forecast
	AtCutoff bool // the cut-off was reached at this row or before
	Changes  []alarm.Change
	Active   []alarm.Active
}

// replay sends rows through agent.Step, one reading event each, with a pack that
// is called "replay".
func replay(spec pack.Spec, prof *pack.Profile, leads alarm.Leads, rows []trace.Row, out func(replayed)) error {
	const name = "replay"
	// The recording has no wall clock; its times are all that is used.
	epoch := time.Unix(0, 0).UTC()
	set := agent.Setup{BootID: name, Packs: []agent.PackSetup{{
		Name: name, SensorName: "trace", Spec: spec, Leads: leads, StaleAfter: 24 * time.Hour,
	}}}
	mem := agent.Memory{}
	if prof != nil {
		mem.Known = map[string]agent.KnownPack{agent.Unmarked(name): {Spec: spec, Profile: prof}}
	}
	begin := alarm.Instant{Wall: epoch}
	if len(rows) > 0 { // a recording may begin anywhere, before zero too
		begin = alarm.Instant{Up: rows[0].T, Wall: epoch.Add(rows[0].T)}
	}
	st, err := agent.NewState(set, mem, begin, true)
	if err != nil {
		return configError{err}
	}
	atCutoff := false
	for _, r := range rows {
		at := alarm.Instant{Up: r.T, Wall: epoch.Add(r.T)}
		var effects []agent.Effect
		st, effects = agent.Step(st, agent.Read{At: at, Pack: name, Reading: sensors.Reading{
			At: at.Wall, PackV: r.PackV, PackA: r.PackA, BusV: r.PackV, TempC: r.TempC, TempKnown: r.TempKnown,
		}})
		p := st.Snapshot().Packs[0]
		if p.LastError != "" {
			return fmt.Errorf("trace at t_s %g: %s", r.T.Seconds(), p.LastError)
		}
		o := replayed{T: r.T, PackV: r.PackV, PackA: r.PackA, Forecast: p.Forecast, Active: st.Snapshot().Alarms}
		switch f := p.Forecast; {
		case f.State == pack.Charging:
			atCutoff = false
		case f.Known && f.State == pack.Discharging && f.Expected == 0:
			atCutoff = true
		}
		o.AtCutoff = atCutoff
		for _, e := range effects {
			if a, ok := e.(agent.Announce); ok {
				o.Changes = append(o.Changes, a.Changes...)
			}
		}
		out(o)
	}
	return nil
}

func readTrace(path string, stdin io.Reader) ([]trace.Row, error) {
	if path == "-" {
		return trace.Read(stdin, "standard input")
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("trace: %w", err)
	}
	defer f.Close()
	return trace.Read(f, path)
}

func samples(rows []trace.Row) []pack.Sample {
	out := make([]pack.Sample, len(rows))
	for i, r := range rows {
		out[i] = pack.Sample{T: r.T, PackV: r.PackV, PackA: r.PackA, TempC: r.TempC, TempKnown: r.TempKnown}
	}
	return out
}

// The default lead times, as in the configuration.
const (
	defaultNextPack = 45 * time.Minute
	defaultShutDown = 15 * time.Minute
)

// parseLeads reads --lead values: "15m" or "shut_terminal_down=15m", "bring_next_pack=45m".
// The earlier warning keeps three times the later one's lead unless it is given.
func parseLeads(args []string) (alarm.Leads, error) {
	l := alarm.Leads{NextPack: defaultNextPack, ShutDown: defaultShutDown}
	nextGiven := false
	for _, a := range args {
		name, value, found := strings.Cut(a, "=")
		if !found {
			name, value = string(alarm.ShutTerminalDown), a
		}
		d, err := time.ParseDuration(value)
		if err != nil || d <= 0 {
			return l, fmt.Errorf("--lead %s: %q is not a length of time; write it like 15m or 90s", a, value)
		}
		switch alarm.Name(name) {
		case alarm.ShutTerminalDown:
			l.ShutDown = d
		case alarm.BringNextPack:
			l.NextPack, nextGiven = d, true
		default:
			return l, fmt.Errorf("--lead %s: no lead time belongs to %q; use %s or %s", a, name, alarm.BringNextPack, alarm.ShutTerminalDown)
		}
	}
	if !nextGiven {
		l.NextPack = l.ShutDown * (defaultNextPack / defaultShutDown)
	}
	if l.NextPack < l.ShutDown {
		return l, fmt.Errorf("--lead: %s (%s) must not be shorter than %s (%s)", alarm.BringNextPack, l.NextPack, alarm.ShutTerminalDown, l.ShutDown)
	}
	return l, nil
}
