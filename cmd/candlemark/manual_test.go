package main

import (
	"bytes"
	"flag"
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/cpuguy83/go-md2man/v2/md2man"
	"github.com/spf13/cobra"
	"github.com/spf13/cobra/doc"
	"github.com/spf13/pflag"

	"candlemark/agent/config"
)

// The manual pages and completions are made here rather than by a command: the
// library that makes them would add 0.6 MB to a program that small boards carry.
// The package asks for them with -manual.
var manualDir = flag.String("manual", "", "write manual pages and completions below this `DIRECTORY`")

// manual makes every file of the manual and the completions, by name.
func manual(t *testing.T, date time.Time) map[string][]byte {
	t.Helper()
	root := newRoot()
	out := map[string][]byte{}
	var walk func(*cobra.Command)
	walk = func(cmd *cobra.Command) {
		if !cmd.IsAvailableCommand() && cmd != root {
			return
		}
		cmd.DisableAutoGenTag = true
		cmd.InitDefaultHelpFlag()
		name := strings.ReplaceAll(cmd.CommandPath(), " ", "-")
		var b bytes.Buffer
		header := &doc.GenManHeader{Title: strings.ToUpper(name), Section: "1", Date: &date, Source: "candlemark", Manual: "candlemark"}
		if err := doc.GenMan(cmd, header, &b); err != nil {
			t.Fatal(err)
		}
		out["man/"+name+".1"] = b.Bytes()
		for _, c := range cmd.Commands() {
			walk(c)
		}
	}
	walk(root)
	out["man/candlemark.yaml.5"] = configManual(t, date)
	for shell, write := range map[string]func(*bytes.Buffer) error{
		"bash": func(b *bytes.Buffer) error { return root.GenBashCompletionV2(b, true) },
		"zsh":  func(b *bytes.Buffer) error { return root.GenZshCompletion(b) },
		"fish": func(b *bytes.Buffer) error { return root.GenFishCompletion(b, true) },
	} {
		var b bytes.Buffer
		if err := write(&b); err != nil {
			t.Fatal(err)
		}
		out["completion/candlemark."+shell] = b.Bytes()
	}
	return out
}

// configManual is the reference of the configuration as a page of section 5: the
// table of deploy/doc/configuration.md, one paragraph a row, since tables this wide break on a terminal.
func configManual(t *testing.T, date time.Time) []byte {
	t.Helper()
	reference, err := config.Reference()
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%% \"CANDLEMARK.YAML\" \"5\" \"%s\" \"candlemark\" \"candlemark\"\n", date.Format("Jan 2006"))
	b.WriteString("# NAME\ncandlemark.yaml - configuration of the candlemark agent\n\n# DESCRIPTION\n" +
		"YAML. Every quantity carries its unit; a bare number is refused, and so is a key that is not known. " +
		"Check a file with candlemark-check-config(1); candlemark-setup(1) writes one.\n\n")
	row := regexp.MustCompile("^\\| `(.+?)` \\| (.*?) \\| (.*?) \\| (.*) \\|$")
	for line := range strings.Lines(reference) {
		line = strings.TrimSpace(line)
		if title, ok := strings.CutPrefix(line, "**"); ok {
			fmt.Fprintf(&b, "# %s\n\n", strings.ToUpper(strings.NewReplacer("*", "", "`", "").Replace(title)))
		}
		m := row.FindStringSubmatch(line)
		if m == nil {
			continue
		}
		what := m[2]
		switch m[3] {
		case "":
		case "needed":
			what += "; needed"
		default:
			what += "; default " + m[3]
		}
		fmt.Fprintf(&b, "**%s** (%s)\n: %s\n\n", m[1], what, m[4])
	}
	fmt.Fprintf(&b, "# EXAMPLE\n\n```\n%s```\n\n# SEE ALSO\n\ncandlemark(1), candlemark-setup(1), candlemark-check-config(1)\n", config.Example())
	return md2man.Render([]byte(b.String()))
}

func TestTheManualHasEveryCommandAndKey(t *testing.T) {
	date := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	if *manualDir != "" {
		date = time.Now() // as cobra has it; SOURCE_DATE_EPOCH below
		var epoch int64
		if _, err := fmt.Sscan(os.Getenv("SOURCE_DATE_EPOCH"), &epoch); err == nil {
			date = time.Unix(epoch, 0).UTC()
		}
	}
	files := manual(t, date)
	for name, text := range files {
		if *manualDir == "" {
			break
		}
		path := filepath.Join(*manualDir, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, text, 0o644); err != nil {
			t.Fatal(err)
		}
	}

	for _, cmd := range newRoot().Commands() {
		page := string(files["man/candlemark-"+cmd.Name()+".1"])
		if page == "" && cmd.IsAvailableCommand() {
			t.Errorf("no page for %s", cmd.CommandPath())
		}
		cmd.LocalFlags().VisitAll(func(f *pflag.Flag) {
			if plain := strings.ReplaceAll(page, `\-`, "-"); !f.Hidden && !strings.Contains(plain, `\fB--`+f.Name+`\fP`) {
				t.Errorf("the page for %s does not explain --%s", cmd.CommandPath(), f.Name)
			}
		})
	}
	reference, err := config.Reference()
	if err != nil {
		t.Fatal(err)
	}
	page := string(files["man/candlemark.yaml.5"])
	keys := regexp.MustCompile("(?m)^\\| `(.+?)` ").FindAllStringSubmatch(reference, -1)
	if got := strings.Count(page, "\n.TP\n"); got != len(keys) || got < 50 {
		t.Errorf("candlemark.yaml(5) has %d keys, the reference %d", got, len(keys))
	}
	for _, k := range keys {
		if !strings.Contains(page, `\fB`+strings.ReplaceAll(k[1], "_", `\_`)+`\fP`) && !strings.Contains(page, `\fB`+k[1]+`\fP`) {
			t.Errorf("candlemark.yaml(5) does not explain %s", k[1])
		}
	}
}

// groff finds what a reader of the page would stumble over.
func TestTheManualIsWellFormed(t *testing.T) {
	groff, err := exec.LookPath("groff")
	if err != nil {
		absent(t, "groff is not installed")
	}
	files := manual(t, time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC))
	for _, name := range slices.Sorted(maps.Keys(files)) {
		if !strings.HasPrefix(name, "man/") {
			continue
		}
		cmd := exec.CommandContext(t.Context(), groff, "-man", "-t", "-Kutf8", "-Tutf8", "-ww", "-z")
		cmd.Stdin = bytes.NewReader(files[name])
		if out, err := cmd.CombinedOutput(); err != nil || len(out) > 0 {
			t.Errorf("%s: %v\n%s", name, err, out)
		}
	}
}
