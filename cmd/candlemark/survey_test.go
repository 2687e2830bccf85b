package main

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"candlemark/agent/control"
	"candlemark/probes"
	"candlemark/probes/survey"
)

// surveys runs a survey command and gives its exit code and output.
func surveys(t *testing.T, file string, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, errs bytes.Buffer
	code = execute(t.Context(), append(append([]string{"survey"}, args...), "--file", file), &out, &errs)
	return code, out.String(), errs.String()
}

func TestSurveyIsRunAndGoneOnWith(t *testing.T) {
	file := filepath.Join(t.TempDir(), "surveys.ndjson")
	start := []string{"start", "stairwell", "--hop", "127.0.0.1", "--settle", "0", "--yes", "--place", "second floor"}
	first := append([]string{"--arrangement", "A: wireless hop", "--arrangement", "B: wired hop", "--rounds", "1"}, start[2:]...)
	code, out, errs := surveys(t, file, append(start[:2:2], first...)...)
	if code != 0 || !strings.Contains(out, "all rounds are made") || strings.Count(errs, "arrangement") != 2 {
		t.Fatalf("exit %d\n%s\n%s", code, out, errs)
	}
	s, err := survey.Find(&surveyFile{path: file}, "stairwell")
	if err != nil || len(s.Rounds) != 2 || s.Plan.Section != probes.Hop || s.Plan.Primary != survey.Latency || s.Plan.Arrangements[1] != "wired hop" {
		t.Fatalf("%+v, %v", s, err)
	}
	for _, r := range s.Rounds {
		if r.Place != "second floor" || r.Start.IsZero() || r.Bytes == 0 {
			t.Errorf("%+v", r)
		}
	}
	if code, _, errs := surveys(t, file, "start", "stairwell", "--hop", "127.0.0.2", "--yes"); code != exitUsage || !strings.Contains(errs, "other probes") {
		t.Errorf("other probes: exit %d, %s", code, errs)
	}
	if code, _, errs := surveys(t, file, "start", "stairwell", "--hop", "127.0.0.1", "--yes", "--arrangement", "x", "--arrangement", "y"); code != exitUsage || !strings.Contains(errs, "other arrangements") {
		t.Errorf("other arrangements: exit %d, %s", code, errs)
	}
	code, out, _ = surveys(t, file, "compare", "stairwell")
	if code != 0 || !strings.Contains(out, "CANNOT TELL") || !strings.Contains(out, "1 pair cannot show a difference") {
		t.Errorf("exit %d\n%s", code, out)
	}
	if code, out, _ := surveys(t, file, "list"); code != 0 || !strings.Contains(out, "2 of 2 rounds") {
		t.Errorf("exit %d\n%s", code, out)
	}
}

func TestSurveyStartRefuses(t *testing.T) {
	file := filepath.Join(t.TempDir(), "surveys.ndjson")
	two := []string{"--arrangement", "a", "--arrangement", "b"}
	for name, c := range map[string]struct {
		args []string
		said string
	}{
		"nothing to measure":       {two, "nothing to measure"},
		"one arrangement":          {[]string{"--arrangement", "a", "--hop", "127.0.0.1"}, "1 arrangements"},
		"letters in another order": {[]string{"--arrangement", "B: a", "--arrangement", "A: b", "--hop", "127.0.0.1"}, "its letter is A"},
		"an unknown question":      {append(two, "--hop", "127.0.0.1", "--primary", "beauty"), "beauty"},
		"a rate without a server":  {append(two, "--hop", "127.0.0.1", "--primary", "throughput_up"), "needs a throughput probe of the hop"},
		"an unknown order":         {append(two, "--hop", "127.0.0.1", "--order", "random"), "random"},
		"more of nothing":          {[]string{"--more", "3", "--hop", "127.0.0.1"}, "no survey"},
	} {
		code, _, errs := surveys(t, file, append([]string{"start", "x", "--yes"}, c.args...)...)
		if code != exitUsage || !strings.Contains(errs, c.said) {
			t.Errorf("%s: exit %d, %s", name, code, errs)
		}
	}
	if _, err := os.Stat(file); err == nil {
		t.Error("a refused survey left a file")
	}
}

// Without --yes it asks before every change, and only then.
func TestSurveyAsks(t *testing.T) {
	file := filepath.Join(t.TempDir(), "surveys.ndjson")
	start := func(answers string) (int, string) {
		root := newRoot()
		var errs bytes.Buffer
		root.SetArgs([]string{"survey", "start", "x", "--arrangement", "a", "--arrangement", "b", "--rounds", "1", "--hop", "127.0.0.1", "--settle", "0", "--file", file})
		root.SetIn(strings.NewReader(answers))
		root.SetOut(&errs)
		root.SetErr(&errs)
		if err := root.ExecuteContext(t.Context()); err != nil {
			return exitFailure, err.Error()
		}
		return 0, errs.String()
	}
	if code, said := start("moved the relay\n"); code == 0 || !strings.Contains(said, "use --yes") {
		t.Errorf("one answer for two changes: exit %d, %s", code, said)
	}
	if code, said := start("\n"); code != 0 || strings.Count(said, "press Enter") != 1 {
		t.Errorf("gone on with: exit %d, %s", code, said)
	}
	s, err := survey.Find(&surveyFile{path: file}, "x")
	if err != nil || len(s.Rounds) != 2 || s.Rounds[0].Changed != "moved the relay" || s.Rounds[1].Changed != "" {
		t.Errorf("%+v, %v", s.Rounds, err)
	}
}

// A running agent measures with its own targets and keeps the rounds itself: the name
// and the arrangements are all that is said. It goes on over a restart.
func TestSurveyWithARunningAgent(t *testing.T) {
	dir := t.TempDir()
	socket, jnl, cfg := filepath.Join(dir, "control.sock"), filepath.Join(dir, "journal.db"), filepath.Join(dir, "candlemark.yaml")
	text := "relay: stairwell\nlisten: 127.0.0.1:0\njournal: " + jnl + "\ncontrol_socket: " + socket + "\nlog_level: error\n" +
		"targets:\n  - {name: near, section: hop, address: 127.0.0.1, method: tcp_connect, port: 9, count: 3, interval: 20ms, every: 1s}\n"
	if err := os.WriteFile(cfg, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	run := func() (stop func()) {
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan int, 1)
		var errs bytes.Buffer
		go func() { ended <- execute(ctx, []string{"run", "--config", cfg}, io.Discard, &errs) }()
		for begin := time.Now(); ; time.Sleep(20 * time.Millisecond) {
			if c, err := control.Dial(socket); err == nil {
				c.Close()
				break
			}
			if time.Since(begin) > 20*time.Second {
				t.Fatal("the agent does not answer")
			}
		}
		return func() {
			cancel()
			if code := <-ended; code != 0 {
				t.Errorf("the agent ended with %d: %s", code, errs.String())
			}
		}
	}
	survey := func(ctx context.Context, args ...string) (int, string, string) {
		var out, errs bytes.Buffer
		code := execute(ctx, append([]string{"survey"}, args...), &out, &errs)
		return code, out.String(), errs.String()
	}
	start := []string{"start", "stairwell", "--settle", "10ms", "--yes", "--socket", socket}
	if code, _, errs := survey(t.Context(), start...); code != exitUsage || !strings.Contains(errs, "no agent is running") || !strings.Contains(errs, "--uplink") {
		t.Errorf("without an agent: exit %d, %s", code, errs)
	}

	stop := run()
	begin := append(start, "--arrangement", "A: wireless hop", "--arrangement", "B: wired hop", "--rounds", "2", "--place", "second floor")
	// Interrupted once a round is made: the survey does not go on behind anybody's back.
	ctx, cancel := context.WithCancel(t.Context())
	go func() {
		for {
			v, err := surveyNow(t.Context(), socket)
			if err != nil || v != nil && v.Made > 0 {
				cancel()
				return
			}
			time.Sleep(10 * time.Millisecond)
		}
	}()
	code, _, errs := survey(ctx, begin...)
	if code == 0 || !strings.Contains(errs, "to go on") {
		t.Errorf("interrupted: exit %d, %s", code, errs)
	}
	for begin := time.Now(); ; time.Sleep(20 * time.Millisecond) {
		if v, err := surveyNow(t.Context(), socket); err == nil && v.State == "stopped" {
			break
		} else if time.Since(begin) > 10*time.Second {
			t.Fatalf("%+v, %v", v, err)
		}
	}
	if code, _, errs := survey(t.Context(), "continue", "--socket", socket); code == 0 || !strings.Contains(errs, "no survey is under way") && !strings.Contains(errs, "does not wait for a change: stopped") {
		t.Errorf("exit %d, %s", code, errs)
	}
	stop()
	stop = run()
	code, out, errs := survey(t.Context(), start...)
	if code != 0 || !strings.Contains(out, "all rounds are made: candlemark survey compare stairwell") || !strings.Contains(out, "latency") {
		t.Errorf("exit %d\n%s\n%s", code, out, errs)
	}
	if code, out, _ := survey(t.Context(), "compare", "stairwell", "--socket", socket); code != 0 || !strings.Contains(out, "wired hop") || !strings.Contains(out, "second floor") {
		t.Errorf("exit %d\n%s", code, out)
	}
	if code, out, _ := survey(t.Context(), "list", "--socket", socket); code != 0 || !strings.Contains(out, "4 of 4 rounds") {
		t.Errorf("exit %d\n%s", code, out)
	}
	stop()
	if code, out, errs := survey(t.Context(), "list", "--journal", jnl); code != 0 || !strings.Contains(out, "4 of 4 rounds") {
		t.Errorf("from the journal: exit %d\n%s%s", code, out, errs)
	}
}

// wired is a made-up survey in which the wired hop carries half as much again.
func wired(t *testing.T, path string) {
	t.Helper()
	f := &surveyFile{path: path}
	p := survey.Plan{
		Name: "stairwell", Arrangements: []string{"wireless hop", "wired hop"}, Rounds: 8, Order: survey.Counterbalanced,
		Primary: survey.Down, Section: probes.Uplink, Threshold: 0.15, LossShare: 0.01, Made: time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC),
	}
	s, err := survey.Begin(f, p)
	if err != nil {
		t.Fatal(err)
	}
	for slot, a := range s.Plan.Slots() {
		v := 20e6 + 10e6*float64(a) + 1e6*float64(slot%3) + 0.1e6*float64(slot)
		err := f.Append(survey.Record{Round: &survey.Round{Survey: "stairwell", Slot: slot, Arrangement: a, Start: p.Made.Add(time.Duration(slot) * time.Minute), Figures: []survey.Figure{
			{Section: probes.Uplink, Question: survey.Down, Value: v, Known: true, Samples: 1e6},
			{Section: probes.Uplink, Question: survey.Latency, Value: 45 - 10*float64(a) + float64(slot%4), Known: true, Samples: 10},
			{Section: probes.Uplink, Question: survey.Loss, Known: true, Samples: 10},
		}}})
		if err != nil {
			t.Fatal(err)
		}
	}
}

func TestSurveyCompare(t *testing.T) {
	file, plot := filepath.Join(t.TempDir(), "surveys.ndjson"), filepath.Join(t.TempDir(), "plot.svg")
	wired(t, file)
	code, out, errs := surveys(t, file, "compare", "stairwell", "--plot", plot)
	if code != 0 || !strings.Contains(out, "* throughput down      BETTER") {
		t.Fatalf("exit %d\n%s%s", code, out, errs)
	}
	t.Log("\n" + out)
	if b, err := os.ReadFile(plot); err != nil || !bytes.Contains(b, []byte("BETTER")) {
		t.Errorf("plot: %v", err)
	}
	code, out, _ = surveys(t, file, "compare", "stairwell", "--format", "json")
	var r survey.Report
	if err := json.Unmarshal([]byte(out), &r); code != 0 || err != nil || r.Comparisons[0].Answers[0].Verdict != survey.Better {
		t.Errorf("exit %d, %v\n%s", code, err, out)
	}
	if code, _, errs := surveys(t, file, "compare", "cellar"); code != exitFailure || !strings.Contains(errs, "survey cellar: no such survey") {
		t.Errorf("exit %d, %s", code, errs)
	}
}

// A power cut tears the last line; the rest must stay readable and the next line
// must not run into it.
func TestSurveyFileOutlivesATornLine(t *testing.T) {
	path := filepath.Join(t.TempDir(), "surveys.ndjson")
	wired(t, path)
	info, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(path, info.Size()-30); err != nil {
		t.Fatal(err)
	}
	f := &surveyFile{path: path}
	before, err := f.Records()
	if err != nil || f.damaged != 1 || len(before) != 16 {
		t.Fatalf("%d records, %d damaged, %v", len(before), f.damaged, err)
	}
	if err := f.Append(survey.Record{Extend: &survey.Extend{Survey: "stairwell", Rounds: 9}}); err != nil {
		t.Fatal(err)
	}
	after, err := f.Records()
	if err != nil || len(after) != 17 || after[16].Extend == nil {
		t.Errorf("%d records, %v", len(after), err)
	}
	code, out, _ := surveys(t, path, "compare", "stairwell")
	if code != 0 || !strings.Contains(out, "damaged lines: 1") {
		t.Errorf("exit %d\n%s", code, out)
	}
}
