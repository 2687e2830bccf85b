package main

import (
	"flag"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"candlemark/agent/alarm"
	"candlemark/agent/metrics"
	"candlemark/sensors/ina219"
)

// The documents say what the program does. Where they repeat it, they are held
// to it here; go test ./cmd/candlemark -run Docs -update writes the tables anew.
var update = flag.Bool("update", false, "write the tables anew")

const (
	top        = "../.."
	readme     = top + "/README.md"
	developers = top + "/DEVELOPERS.md"
	feedWiring = top + "/deploy/feed/wiring.md"
	reference  = top + "/deploy/doc/"
)

// documents are all that people read.
func documents(t *testing.T) []string {
	t.Helper()
	more, err := filepath.Glob(reference + "*.md")
	if err != nil || len(more) < 5 {
		t.Fatalf("documents: %v, %v", more, err)
	}
	return append([]string{readme, developers, feedWiring}, more...)
}

func document(t *testing.T, path string) string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func TestDocsTablesAreThoseOfTheProgram(t *testing.T) {
	for _, table := range []struct{ name, file, want string }{
		{"shunts", "board.md", shuntTable()},
		{"alarms", "alarms.md", alarm.Entries()},
		{"metrics", "metrics.md", metrics.Reference()},
	} {
		path := reference + table.file
		from, to := "<!-- "+table.name+" -->\n", "<!-- /"+table.name+" -->"
		before, rest, opened := strings.Cut(document(t, path), from)
		got, after, closed := strings.Cut(rest, to)
		switch {
		case !opened || !closed:
			t.Errorf("%s has no line %q, or none %q after it", table.file, strings.TrimSpace(from), to)
		case got == table.want:
		case *update:
			if err := os.WriteFile(path, []byte(before+from+table.want+to+after), 0o644); err != nil {
				t.Fatal(err)
			}
		default:
			t.Errorf("%s: the table is out of date: go test ./cmd/candlemark -run Docs -update", table.file)
		}
	}
}

// Whatever the page's own code says, every word of the catalogue is on it.
func TestDocsAlarmsPageHasTheWholeCatalogue(t *testing.T) {
	page := document(t, reference+"alarms.md")
	for _, e := range alarm.Catalogue() {
		_, entry, ok := strings.Cut(page, "\n### "+string(e.Name)+"\n")
		entry, _, _ = strings.Cut(entry, "\n### ")
		for _, words := range []string{e.Means, e.Action, e.RaisedWhen, e.ClearedWhen, string(e.Severity), alarm.Exact(e.QuietMost)} {
			if !ok || words == "" || !strings.Contains(entry, words) {
				t.Errorf("the entry of %s lacks %q", e.Name, words)
			}
		}
	}
}

// exampleV and exampleA are the reading whose error the table of shunts states;
// stepV is one step of the shunt's voltage (TI SBOS448F page 5).
const (
	exampleV, exampleA = 18, 1
	stepV              = 10e-6
)

func shunt(ohm float64) ina219.Config {
	return ina219.Config{ShuntOhm: ohm, ShuntTolerance: 0.01, Side: ina219.LoadSide, Grade: ina219.GradeA}
}

func shuntTable() string {
	var b strings.Builder
	b.WriteString("| shunt | clips at | smallest step | heat when it clips | error at 1 A |\n|---|---|---|---|---|\n")
	for _, r := range []float64{0.1, 0.05, 0.02, 0.01, 0.002} {
		c := shunt(r)
		fmt.Fprintf(&b, "| %g Ω | %.3g A | %.3g mA | %.3g W | ±%.2g A |\n",
			r, c.ClipA(), stepV/r*1e3, c.ClipA()*c.ClipA()*r, c.Budget(exampleV, exampleA).A)
	}
	return b.String()
}

// The formulas behind the table, against figures worked out from the data sheet
// (TI SBOS448F: ±320 mV full scale, 10 µV a step, page 5; ±200 µV offset and 1 %
// over temperature, grade A at gain ÷8, page 5).
func TestDocsShuntFiguresAreThoseOfTheDataSheet(t *testing.T) {
	for _, w := range []struct{ ohm, clipA, heatW float64 }{
		{0.1, 3.2, 1.02}, {0.05, 6.4, 2.05}, {0.02, 16, 5.12}, {0.01, 32, 10.2}, {0.002, 160, 51.2},
	} {
		c := shunt(w.ohm)
		if got := c.ClipA(); math.Abs(got-w.clipA) > 0.001*w.clipA {
			t.Errorf("%g Ω clips at %g A, want %g A", w.ohm, got, w.clipA)
		}
		if got := c.ClipA() * c.ClipA() * w.ohm; math.Abs(got-w.heatW) > 0.01*w.heatW {
			t.Errorf("%g Ω turns %g W into heat, want %g W ± 1 %%", w.ohm, got, w.heatW)
		}
	}
	// 1 A on 0.1 Ω: 1 % of the chip, 1 % of the shunt, 200 µV / 0.1 Ω = 2 mA.
	if got := shunt(0.1).Budget(exampleV, exampleA).A; math.Abs(got-0.022) > 1e-6 {
		t.Errorf("error at 1 A is ±%g A, want ±0.022 A", got)
	}
}

func TestDocsBeginWithTheJob(t *testing.T) {
	parts := strings.SplitN(document(t, readme), "\n\n", 3)
	if len(parts) < 3 || !strings.HasPrefix(parts[0], "# ") {
		t.Fatal("README.md does not begin with a title and a paragraph")
	}
	first := parts[1]
	if len(first) <= 200 {
		t.Errorf("the first paragraph of README.md has %d characters: too few to state the job", len(first))
	}
	for _, word := range []string{"internet link", "power", "pack", "how long", "operator", "metrics"} {
		if !strings.Contains(first, word) {
			t.Errorf("the first paragraph of README.md does not speak of %q", word)
		}
	}
}

func TestDocsNameEveryCommand(t *testing.T) {
	text := document(t, readme)
	for _, cmd := range newRoot().Commands() {
		if name := "`candlemark " + cmd.Name() + "`"; !cmd.Hidden && !strings.Contains(text, name) {
			t.Errorf("README.md does not name the command %s", name)
		}
	}
}

// An example that the program refuses helps nobody.
func TestDocsExamplesParse(t *testing.T) {
	for _, path := range documents(t) {
		text := document(t, path)
		seen := 0
		for i, part := range strings.Split(text, "```") {
			if i%2 == 1 {
				for line := range strings.Lines(part) {
					if words := candlemarkWords(line); words != nil {
						seen++
						if err := parses(words, true); err != nil {
							t.Errorf("%s: %s: %v", filepath.Base(path), strings.TrimSpace(line), err)
						}
					}
				}
				continue
			}
			// In running text a command may be named without what it needs.
			for _, m := range regexp.MustCompile("`([^`\n]+)`").FindAllStringSubmatch(part, -1) {
				if words := candlemarkWords(m[1]); words != nil {
					seen++
					if err := parses(words, false); err != nil {
						t.Errorf("%s: `%s`: %v", filepath.Base(path), m[1], err)
					}
				}
			}
		}
		if path == readme && seen < 20 {
			t.Errorf("README.md: only %d examples were looked at", seen)
		}
	}
}

// candlemarkWords splits a line that calls the program into its arguments; nil
// when it calls another.
func candlemarkWords(line string) []string {
	line = strings.TrimPrefix(strings.TrimSpace(line), "sudo ")
	line = strings.TrimPrefix(line, "-u candlemark ")
	rest, ok := strings.CutPrefix(line, "go run ./cmd/candlemark")
	if !ok {
		rest, ok = strings.CutPrefix(line, "candlemark")
	}
	if !ok || !strings.HasPrefix(rest, " ") {
		return nil
	}
	rest, _, _ = strings.Cut(rest, " > ") // what the shell does with the output
	words := regexp.MustCompile(`"[^"]*"|\S+`).FindAllString(rest, -1)
	for i := range words {
		words[i] = strings.Trim(words[i], `"`)
	}
	return words
}

// parses has the command line judge words without running them.
func parses(words []string, whole bool) error {
	cmd, rest, err := newRoot().Find(words)
	if err != nil {
		return err
	}
	if !cmd.HasParent() {
		return fmt.Errorf("there is no such command")
	}
	if err := cmd.ParseFlags(rest); err != nil || !whole {
		return err
	}
	if err := cmd.ValidateArgs(cmd.Flags().Args()); err != nil {
		return err
	}
	return cmd.ValidateRequiredFlags()
}

// The example check must be able to fail.
func TestDocsExamplesThatAreWrongAreFound(t *testing.T) {
	for _, line := range []string{
		"candlemark chek-config FILE", "candlemark status --formt json", "candlemark status --format xml",
		"candlemark run", "candlemark check-config", "go run ./cmd/candlemark demo now",
	} {
		if err := parses(candlemarkWords(line), true); err == nil {
			t.Errorf("%q was accepted", line)
		}
	}
}

func TestDocsNameOnlyMetricsThatExist(t *testing.T) {
	known := metrics.Names()
	for _, path := range documents(t) {
		for _, name := range regexp.MustCompile(`\bcandlemark_[a-z0-9_]+`).FindAllString(document(t, path), -1) {
			if !known[name] {
				t.Errorf("%s: there is no metric %s", filepath.Base(path), name)
			}
		}
	}
}

func TestDocsNameOnlyFilesThatExist(t *testing.T) {
	link := regexp.MustCompile(`\]\(([^)\s]+)\)`)
	inside := regexp.MustCompile("(?m)(?:^|[\\s`(\"])(?:\\./)?((?:cmd|agent|probes|sensors|dashboards|deploy|testdata|\\.ci)/[A-Za-z0-9_./-]*)")
	for _, path := range documents(t) {
		text := document(t, path)
		var found []string // below the repository's top
		for _, m := range link.FindAllStringSubmatch(text, -1) {
			if anchor, ok := strings.CutPrefix(m[1], "#"); ok {
				if !hasHeading(text, anchor) {
					t.Errorf("%s: no heading for the link #%s", filepath.Base(path), anchor)
				}
			} else if !strings.Contains(m[1], "://") {
				from, err := filepath.Rel(top, filepath.Dir(path))
				if err != nil {
					t.Fatal(err)
				}
				found = append(found, filepath.Join(from, m[1]))
			}
		}
		for _, m := range inside.FindAllStringSubmatch(text, -1) {
			found = append(found, strings.TrimRight(m[1], "./"))
		}
		for _, f := range found {
			file, anchor, in := strings.Cut(f, "#")
			if _, err := os.Stat(filepath.Join(top, file)); err != nil {
				t.Errorf("%s names %s: %v", filepath.Base(path), f, err)
			} else if in && !hasHeading(document(t, filepath.Join(top, file)), anchor) {
				t.Errorf("%s names %s: there is no such heading", filepath.Base(path), f)
			}
		}
		if len(found) < 5 && (path == readme || path == developers) {
			t.Errorf("%s: only %d paths were looked at", filepath.Base(path), len(found))
		}
	}
}

// hasHeading says whether text has a heading that a link to #anchor finds.
func hasHeading(text, anchor string) bool {
	for _, m := range regexp.MustCompile(`(?m)^#+ (.+)$`).FindAllStringSubmatch(text, -1) {
		slug := regexp.MustCompile(`[^a-z0-9_ -]`).ReplaceAllString(strings.ToLower(m[1]), "")
		if strings.ReplaceAll(slug, " ", "-") == anchor {
			return true
		}
	}
	return false
}

// Whoever looks for a package finds it in DEVELOPERS.md, and nothing that is gone.
func TestDocsListEveryPackage(t *testing.T) {
	out, err := exec.Command("go", "list", "candlemark/...").Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	var want, got []string
	for _, p := range strings.Fields(string(out)) {
		want = append(want, strings.TrimPrefix(p, "candlemark/"))
	}
	_, table, _ := strings.Cut(document(t, developers), "<!-- packages -->")
	table, _, ok := strings.Cut(table, "<!-- /packages -->")
	if !ok {
		t.Fatal("DEVELOPERS.md has no list between <!-- packages --> and <!-- /packages -->")
	}
	for _, m := range regexp.MustCompile("(?m)^\\| `([^`]+)` \\| .+ \\|$").FindAllStringSubmatch(table, -1) {
		got = append(got, m[1])
	}
	for _, p := range want {
		if !slices.Contains(got, p) {
			t.Errorf("DEVELOPERS.md has no line for the package %s", p)
		}
	}
	for _, p := range got {
		if !slices.Contains(want, p) {
			t.Errorf("DEVELOPERS.md has a line for %s, which is no package", p)
		}
	}
}
