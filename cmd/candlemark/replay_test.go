package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"candlemark/sensors/simulated"
)

// The recorded discharges in testdata are made here, with
//
//	go test ./cmd/candlemark -run Replay -update
//
// which also writes the goldens anew. One seed each; no measured data.
const (
	packFile     = "../../testdata/pack.yaml"
	dischargeCSV = "../../testdata/discharge.csv"
	earlierCSV   = "../../testdata/earlier.csv"
)

// record makes a discharge of the pack in pack.yaml by the simulated pack, read
// through the driver every 10 to 30 s until it is flat. The load changes now and
// then; the temperature has gaps.
func record(t *testing.T, seed uint64) (csv []byte) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		dice := rand.New(rand.NewPCG(seed, 3))
		kit := simulated.DefaultConfig()
		kit.CapacityAh, kit.Seed = 4.6, seed
		sim, err := simulated.New(kit)
		if err != nil {
			t.Fatal(err)
		}
		sensor := sim.Sensor()
		var b bytes.Buffer
		b.WriteString("t_s,voltage_v,current_a,temp_c\n")
		start := time.Now()
		for after := 0; after < 3; { // three rows beyond the cut-off
			r, err := sensor.Read()
			if err != nil {
				t.Fatal(err)
			}
			temp := "25.0"
			if dice.IntN(5) == 0 {
				temp = ""
			}
			fmt.Fprintf(&b, "%.1f,%.3f,%.3f,%s\n", r.At.Sub(start).Seconds(), r.PackV, r.PackA, temp)
			if r.PackV <= kit.CutoffV || after > 0 {
				after++
			}
			if dice.IntN(20) == 0 {
				sim.SetLoadW(42 + 6*dice.Float64())
			}
			time.Sleep(time.Duration(10e3+dice.IntN(20e3)) * time.Millisecond)
		}
		csv = b.Bytes()
	})
	return csv
}

// golden compares with a file, or writes it with -update. Figures are compared on
// amd64 only: other processors join multiplication and addition and so differ in
// last digits.
func golden(t *testing.T, path string, got []byte) {
	t.Helper()
	if *update {
		if err := os.WriteFile(path, got, 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if runtime.GOARCH == "amd64" && !bytes.Equal(got, want) {
		t.Errorf("%s is no longer what comes out; look at the difference and, where it is meant, go test ./cmd/candlemark -run Replay -update\n%s", path, firstDifference(want, got))
	}
}

func firstDifference(want, got []byte) string {
	w, g := strings.Split(string(want), "\n"), strings.Split(string(got), "\n")
	for i := range min(len(w), len(g)) {
		if w[i] != g[i] {
			return fmt.Sprintf("line %d\n-%s\n+%s", i+1, w[i], g[i])
		}
	}
	return fmt.Sprintf("%d lines, were %d", len(g), len(w))
}

func TestReplayDataIsWhatTheSimulatorGives(t *testing.T) {
	golden(t, dischargeCSV, record(t, 31))
	golden(t, earlierCSV, record(t, 30))
}

// replayed runs the command and gives its standard output.
func runReplay(t *testing.T, args ...string) []byte {
	t.Helper()
	var out, diag bytes.Buffer
	args = append([]string{"replay", "--pack", packFile, "--trace", dischargeCSV}, args...)
	if code := execute(t.Context(), args, &out, &diag); code != 0 || diag.Len() > 0 {
		t.Fatalf("exit code %d, %s", code, diag.String())
	}
	return out.Bytes()
}

// outRow is a row as other tools read it.
type outRow struct {
	T, V, A            float64
	Charge             *float64
	Runtime, Low, High *float64
	Alarms             []string
}

// readRow reads a row by the names that are fixed, and refuses others.
func readRow(t *testing.T, line []byte) outRow {
	t.Helper()
	var raw map[string]json.RawMessage
	if err := json.Unmarshal(line, &raw); err != nil {
		t.Fatalf("%s: %v", line, err)
	}
	var r outRow
	for name, to := range map[string]any{
		"t_s": &r.T, "voltage_v": &r.V, "current_a": &r.A, "charge_ratio": &r.Charge,
		"runtime_s": &r.Runtime, "runtime_low_s": &r.Low, "runtime_high_s": &r.High, "alarms": &r.Alarms,
	} {
		v, ok := raw[name]
		if !ok {
			t.Fatalf("no %s in %s", name, line)
		}
		if err := json.Unmarshal(v, to); err != nil {
			t.Fatalf("%s in %s: %v", name, line, err)
		}
		delete(raw, name)
	}
	if len(raw) > 0 || r.Alarms == nil {
		t.Fatalf("unknown names, or alarms that are no list: %s", line)
	}
	return r
}

func TestReplayGivesEachRowItsAnswer(t *testing.T) {
	for name, c := range map[string]struct {
		args []string
		most float64 // leads before the end that a warning may come
	}{
		// Nothing is known of the pack: then the careful figure may be much below what comes true.
		"unknown_pack": {nil, 3},
		"learned_pack": {[]string{"--learn", earlierCSV}, 2.5},
	} {
		t.Run(name, func(t *testing.T) {
			out := runReplay(t, append(c.args, "--format", "ndjson")...)
			var rows []outRow
			var thin bytes.Buffer // each 20th row is enough for a golden
			for s := bufio.NewScanner(bytes.NewReader(out)); s.Scan(); {
				if len(rows)%20 == 0 {
					thin.Write(append(s.Bytes(), '\n'))
				}
				rows = append(rows, readRow(t, s.Bytes()))
			}
			golden(t, filepath.Join("testdata", "replay_"+name+".ndjson"), thin.Bytes())
			checkRows(t, rows, c.most)
		})
	}
}

// checkRows holds whatever the estimate is worth; a warning comes most leads before the
// end at the soonest.
func checkRows(t *testing.T, rows []outRow, most float64) {
	t.Helper()
	trace, err := os.ReadFile(dischargeCSV)
	if err != nil {
		t.Fatal(err)
	}
	if lines := bytes.Count(trace, []byte("\n")) - 1; len(rows) != lines {
		t.Fatalf("%d rows for %d of the trace", len(rows), lines)
	}
	end := -1.0
	for _, r := range rows {
		if end < 0 && r.V <= 15 {
			end = r.T
		}
	}
	known := 0
	for _, r := range rows {
		switch {
		case (r.Runtime == nil) != (r.Low == nil) || (r.Low == nil) != (r.High == nil):
			t.Fatalf("at %g s only some of the three are known", r.T)
		case r.Runtime == nil:
			if r.T > end/4 {
				t.Errorf("at %g s nothing is known yet", r.T)
			}
		case r.T >= end && (*r.Runtime != 0 || *r.Low != 0 || *r.High != 0):
			t.Errorf("at %g s, after the cut-off, %g s (%g to %g) are left", r.T, *r.Runtime, *r.Low, *r.High)
		case *r.Low < 0 || *r.Low > *r.Runtime || *r.Runtime > *r.High:
			t.Errorf("at %g s %g is not within %g to %g", r.T, *r.Runtime, *r.Low, *r.High)
		default:
			known++
		}
		if r.Charge != nil && (*r.Charge < 0 || *r.Charge > 1) {
			t.Errorf("at %g s the charge ratio is %g", r.T, *r.Charge)
		}
	}
	if known < len(rows)/2 {
		t.Errorf("only %d of %d rows have an answer", known, len(rows))
	}
	// The warnings come in time, in order, and stay.
	for _, w := range []struct {
		name string
		lead float64 // s
	}{{"bring_next_pack", 45 * 60}, {"shut_terminal_down", 15 * 60}} {
		i := slices.IndexFunc(rows, func(r outRow) bool { return slices.Contains(r.Alarms, w.name) })
		if i < 0 || end-rows[i].T < w.lead || end-rows[i].T > most*w.lead {
			t.Errorf("%s came too late, far too early or not at all (row %d; the end is at %g s)", w.name, i, end)
			continue
		}
		for _, r := range rows[i:] {
			if !slices.Contains(r.Alarms, w.name) {
				t.Errorf("%s was taken back at %g s", w.name, r.T)
				break
			}
		}
	}
}

func TestReplayTextSaysHowItEnded(t *testing.T) {
	out := runReplay(t, "--learn", earlierCSV)
	golden(t, filepath.Join("testdata", "replay_learned_pack.txt"), out)
	for _, want := range []string{
		"pack: li-ion, 5 in series, 5 Ah on the label, cut-off 15 V; 1 earlier discharge learned\n",
		"RAISED bring_next_pack: ", "RAISED shut_terminal_down: ",
		"\ncut-off reached at ", " Ah and ", "shut_terminal_down came ", "(lead 15 min)",
		"time left over time: o expected",
	} {
		if !bytes.Contains(out, []byte(want)) {
			t.Errorf("does not say %q", want)
		}
	}
	for line := range strings.Lines(string(out)) {
		if len([]rune(strings.TrimRight(line, "\n"))) > 88 && !strings.Contains(line, "RAISED") && !strings.Contains(line, "time left unknown") {
			t.Errorf("wider than a terminal: %s", line)
		}
	}
}

func TestReplayLeadTimesAreTheOnesGiven(t *testing.T) {
	first := func(name string, args ...string) float64 {
		for s := bufio.NewScanner(bytes.NewReader(runReplay(t, append(args, "--format", "ndjson")...))); s.Scan(); {
			if r := readRow(t, s.Bytes()); slices.Contains(r.Alarms, name) {
				return r.T
			}
		}
		t.Fatalf("%s was never raised", name)
		return 0
	}
	long := first("shut_terminal_down", "--lead", "30m")
	short := first("shut_terminal_down", "--lead", "shut_terminal_down=5m", "--lead", "bring_next_pack=10m")
	if short-long < 10*60 {
		t.Errorf("with 30 min of lead at %g s, with 5 min at %g s: want 10 min between them at least", long, short)
	}
}

// The static program gives what the package gives: other tools run the program.
func TestReplayOfTheProgramIsTheSame(t *testing.T) {
	t.Parallel()
	got, err := exec.Command(program(t), "replay", "--pack", packFile, "--trace", dischargeCSV, "--format", "ndjson").Output()
	if err != nil {
		t.Fatal(err)
	}
	if want := runReplay(t, "--format", "ndjson"); !bytes.Equal(got, want) {
		t.Errorf("the program and the package differ:\n%s", firstDifference(want, got))
	}
}
