package handover

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"golang.org/x/net/html"

	"candlemark/agent/journal"
	"candlemark/deploy/printtest"
)

var update = flag.Bool("update", false, "write the golden pages anew")

func TestGoldenPages(t *testing.T) {
	page, markdown, _ := renderAll(t, Build(day()))
	for name, got := range map[string]string{"day.html": page, "day.md": markdown} {
		path := filepath.Join("testdata", name)
		if *update {
			if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if got != string(want) {
			t.Errorf("%s differs; look at it, and run the test with -update if it is right", path)
		}
	}
}

// skeleton is the page's elements and attributes without its words. It also
// finds whatever would fetch or run something.
func skeleton(t *testing.T, page string) string {
	t.Helper()
	var b strings.Builder
	z := html.NewTokenizer(strings.NewReader(page))
	for {
		switch z.Next() {
		case html.ErrorToken:
			return b.String()
		case html.StartTagToken, html.SelfClosingTagToken:
			tok := z.Token()
			fmt.Fprintf(&b, "<%s", tok.Data)
			for _, a := range tok.Attr {
				fmt.Fprintf(&b, " %s=%s", a.Key, a.Val)
			}
			b.WriteByte('>')
		case html.EndTagToken:
			fmt.Fprintf(&b, "</%s>", z.Token().Data)
		}
	}
}

func TestThePageFetchesNothing(t *testing.T) {
	for name, in := range map[string]Input{"day": day(), "crowded": crowded(), "empty": {Now: present()}} {
		page, _, _ := renderAll(t, Build(in))
		if bad := regexp.MustCompile(`(?i)<(script|link|img|iframe|object|a)\b|url\(|@import|src=|href=`).FindString(page); bad != "" {
			t.Errorf("%s: the page has %q", name, bad)
		}
	}
}

// Whatever the words are, they change no element of the page, and no length of
// them makes the estimate of the sheet overflow.
func FuzzNoWordsBreakThePage(f *testing.F) {
	for _, s := range []string{"x", "</td></table><script>alert(1)</script>", `" onload="x`, "\xff\xfe", "{{.}}", "\u202eright to left\u202c", "| a | b |", "\x00\x1b[2J", "é̂͟" + strings.Repeat("W", 3000), "<!-- ", "&lt;", "```\n# x"} {
		f.Add(s)
	}
	build := func(word string) Input {
		in := day()
		in.Incident.Name, in.Incident.Contact, in.Preparer.Name = "n"+word, "c"+word, "p"+word
		in.Snapshot.Relay, in.Snapshot.Packs[0].Name, in.Snapshot.Targets[1].Name = "r"+word, "k"+word, "t"+word
		in.Snapshot.Alarms[0].Title, in.Snapshot.Known[0].Why = "a"+word, "w"+word
		in.Records = in.Records[:1]
		for k := range 6 {
			in.Records = append(in.Records, journal.Record{Seq: uint64(2 + k), Wall: in.Now.Add(-time.Minute), Boot: "boot-1", Up: bootUp - time.Minute, Kind: journal.KindNote, Subject: "s" + word, Who: "o" + word, Text: "x" + word})
		}
		in.Full = true
		return in
	}
	plain := ""
	f.Fuzz(func(t *testing.T, word string) {
		if _, _, labelled := label("x" + word); labelled {
			t.Skip("a labelled note stands elsewhere")
		}
		in := build(word)
		page, markdown, js := renderAll(t, Build(in))
		if plain == "" {
			p, _, _ := renderAll(t, Build(build("")))
			plain = skeleton(t, p)
		}
		if got := skeleton(t, page); got != plain {
			t.Errorf("words changed the page's elements:\n%s\n%s", got, plain)
		}
		if !json.Valid([]byte(js)) || !utf8.ValidString(page) || !utf8.ValidString(markdown) {
			t.Error("not UTF-8 or not JSON")
		}
		for _, line := range strings.Split(markdown, "\n") {
			if strings.ContainsAny(line, "<\x00\x1b\r\x7f") {
				t.Errorf("markup or control characters in Markdown: %q", line)
			}
		}
		in.Full = false
		if p := Build(in); p.height() > sheetPt {
			t.Errorf("the sheet is estimated at %.0f pt of %.0f", p.height(), sheetPt)
		}
	})
}

// A browser prints the page on one sheet, A4 and Letter.
func TestADayPrintsOnOneSheet(t *testing.T) {
	browser := printtest.Browser(t)
	for name, in := range map[string]Input{"day": day(), "crowded": crowded(), "empty": {Now: present()}} {
		for _, paper := range []string{"A4", "Letter"} {
			t.Run(name+" on "+paper, func(t *testing.T) {
				if p := Build(in); p.height() > sheetPt {
					t.Errorf("estimated at %.0f pt of %.0f", p.height(), sheetPt)
				}
				if pages := printed(t, browser, Build(in), paper); pages != 1 {
					t.Errorf("%d sheets", pages)
				}
			})
		}
	}
	in := crowded()
	in.Full = true
	if pages := printed(t, browser, Build(in), "A4"); pages < 2 {
		t.Errorf("the full page of a crowded day takes %d sheets: this test would not see two", pages)
	}
}

func printed(t *testing.T, browser string, p Page, paper string) int {
	t.Helper()
	var b bytes.Buffer
	if err := HTML(&b, p); err != nil {
		t.Fatal(err)
	}
	return printtest.Sheets(t, browser, b.String(), paper)
}
