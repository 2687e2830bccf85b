package main

import (
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
	"github.com/spf13/cobra"

	"candlemark/agent/journal"
)

// The command line as a person or a script meets it: testdata/script.
func TestScripts(t *testing.T) {
	example, err := filepath.Abs("../../agent/config/example.yaml")
	if err != nil {
		t.Fatal(err)
	}
	testscript.Run(t, testscript.Params{
		Dir: "testdata/script",
		Setup: func(env *testscript.Env) error {
			env.Setenv("EXAMPLE", example)
			j, err := journal.Open(filepath.Join(env.WorkDir, "journal.db"), journal.Options{})
			if err != nil {
				return err
			}
			return j.Close()
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"code":    func(ts *testscript.TestScript, _ bool, args []string) { exits(ts, args[0], args[1:]) },
			"usage":   usageFault,
			"bad":     badTrace,
			"noagent": noAgent,
		},
	})
}

// exits runs a program and checks its exit code: code 78 candlemark ...
func exits(ts *testscript.TestScript, code string, argv []string) {
	want, err := strconv.Atoi(code)
	if err != nil {
		ts.Fatalf("%q is no exit code", code)
	}
	err = ts.Exec(argv[0], argv[1:]...)
	got := 0
	if exit, ok := err.(*exec.ExitError); ok {
		got = exit.ExitCode()
	} else if err != nil {
		ts.Fatalf("%v", err)
	}
	if got != want {
		ts.Fatalf("exit code %d, want %d", got, want)
	}
}

func said(ts *testscript.TestScript, pattern string) {
	if text := ts.ReadFile("stderr"); !regexp.MustCompile("(?m)" + pattern).MatchString(text) {
		ts.Fatalf("standard error does not match %s:\n%s", pattern, text)
	}
	if text := ts.ReadFile("stdout"); text != "" {
		ts.Fatalf("on standard output, where nothing belongs: %s", text)
	}
}

// usage PATTERN ARGS...: exit code 2, the cause, and where help is.
func usageFault(ts *testscript.TestScript, _ bool, args []string) {
	exits(ts, "2", append([]string{"candlemark"}, args[1:]...))
	said(ts, args[0])
	said(ts, `^See "candlemark help" or add --help to the command\.$`)
}

// bad PATTERN TRACE: exit code 1 and the words.
func badTrace(ts *testscript.TestScript, _ bool, args []string) {
	for _, format := range []string{"text", "ndjson"} {
		exits(ts, "1", []string{"candlemark", "replay", "--pack", "pack.yaml", "--trace", args[1], "--format", format})
		said(ts, `^candlemark: `+args[0])
	}
}

// noagent ARGS...: exit code 1, and what to do about it.
func noAgent(ts *testscript.TestScript, _ bool, args []string) {
	exits(ts, "1", append(append([]string{"candlemark"}, args...), "--socket", ts.MkAbs("none.sock")))
	said(ts, `none\.sock: no agent is running .*; start one with candlemark run, or name its socket with --socket`)
}

func TestEveryCommandHasHelpWithAnExample(t *testing.T) {
	seen := 0
	var walk func(*cobra.Command)
	walk = func(c *cobra.Command) {
		seen++
		if c.Short == "" || c.Example == "" {
			t.Errorf("%s: short text %q, example %q: both are needed", c.CommandPath(), c.Short, c.Example)
		}
		example := regexp.MustCompile(`\\\n\s*`).ReplaceAllString(c.Example, "")    // as a shell joins lines
		example = regexp.MustCompile(`"[^"]*"`).ReplaceAllString(example, "quoted") // one word each
		for line := range strings.Lines(example) {
			words := strings.Fields(line)
			if len(words) == 0 {
				continue
			}
			// An example that the program itself would refuse helps nobody.
			cmd, _, err := c.Root().Find(words[1:])
			if err != nil || words[0] != "candlemark" || !strings.HasPrefix(cmd.CommandPath(), c.CommandPath()) {
				t.Errorf("%s: example %q is not of this command: %v", c.CommandPath(), line, err)
				continue
			}
			for _, w := range words {
				name, _, _ := strings.Cut(strings.TrimPrefix(w, "--"), "=")
				if strings.HasPrefix(w, "--") && cmd.Flags().Lookup(name) == nil {
					t.Errorf("%s: example %q has a flag that does not exist", c.CommandPath(), line)
				}
			}
		}
		for _, sub := range c.Commands() {
			if !sub.Hidden {
				walk(sub)
			}
		}
	}
	walk(newRoot())
	if seen < 10 {
		t.Errorf("only %d commands were looked at", seen)
	}
}
