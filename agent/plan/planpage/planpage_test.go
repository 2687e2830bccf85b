package planpage

import (
	"regexp"
	"strings"
	"testing"
	"time"

	"candlemark/agent/plan"
	"candlemark/agent/plan/planfile"
)

func report(t *testing.T, edit func(string) string) plan.Report {
	t.Helper()
	p, err := planfile.Parse([]byte(edit(string(planfile.Example()))), "example.yaml")
	if err != nil {
		t.Fatal(err)
	}
	r := p.Evaluate()
	if d, err := p.Duty(r, r.Recommended, time.Date(2031, 2, 3, 9, 0, 0, 0, time.UTC)); err != nil {
		r.RotationWhy = err.Error()
	} else if s, err := d.Rotate(); err != nil {
		t.Fatal(err)
	} else {
		r.Rotation = &s
	}
	return r
}

func same(s string) string { return s }

func TestTheFirstLineIsTheAnswer(t *testing.T) {
	var b strings.Builder
	if err := Text(&b, report(t, same), Options{}); err != nil {
		t.Fatal(err)
	}
	first, _, _ := strings.Cut(b.String(), "\n")
	if !regexp.MustCompile(`^runs: at least \d+ h( \d+ min)?, expected \d+ h( \d+ min)?`).MatchString(first) {
		t.Errorf("first line %q", first)
	}
	for _, want := range []string{"link stays up until", "next swap at", "a generator must be here by", plan.Governs, "Fuse", "guides only", "First to end: packs,", "If the load grows: 48 V boost at 100 W", "ends the pack at", "Each swap interrupts what that pack feeds"} {
		if !strings.Contains(strings.Join(strings.Fields(b.String()), " "), want) { // lines are wrapped
			t.Errorf("%q is missing", want)
		}
	}
	var full strings.Builder
	if err := Text(&full, report(t, same), Options{Full: true}); err != nil {
		t.Fatal(err)
	}
	// 100 W at 48 V against a fuse of 2 A
	if want := "It may never open, for the converter gives about 2.1 A at most"; !strings.Contains(strings.Join(strings.Fields(full.String()), " "), want) {
		t.Errorf("%q is missing", want)
	}
	dark := func(s string) string {
		s = strings.ReplaceAll(s, "size: 14AWG", "size: 30AWG")
		return strings.ReplaceAll(s, "length: 1m", "length: 60m")
	}
	b.Reset()
	if err := Text(&b, report(t, dark), Options{}); err != nil {
		t.Fatal(err)
	}
	if first, _, _ := strings.Cut(b.String(), "\n"); !strings.HasPrefix(first, "will not run: pack lead cannot carry") || !strings.Contains(first, "the most that would run is") {
		t.Errorf("first line %q", first)
	}
}

func TestTextFitsATerminal(t *testing.T) {
	var b strings.Builder
	if err := Text(&b, report(t, same), Options{Full: true}); err != nil {
		t.Fatal(err)
	}
	for i, line := range strings.Split(b.String(), "\n")[1:] {
		if n := len([]rune(line)); n > 110 {
			t.Errorf("line %d has %d columns: %s", i+2, n, line)
		}
	}
}

func TestThePageNeedsNoOtherFileAndEscapesWhatIsWritten(t *testing.T) {
	var b strings.Builder
	r := report(t, func(s string) string {
		return strings.Replace(s, "name: Alder Ford", "name: <script>alert(1)</script>", 1)
	})
	if err := HTML(&b, r, Options{Full: true, Made: time.Date(2031, 2, 3, 9, 0, 0, 0, time.UTC)}); err != nil {
		t.Fatal(err)
	}
	page := b.String()
	for _, banned := range []string{"<script", "http://", "https://", "<link", "<img", "url(", "@import"} {
		if strings.Contains(page, banned) {
			t.Errorf("%q is in the page", banned)
		}
	}
	// black on white: no other colour is named
	for _, colour := range regexp.MustCompile(`#[0-9a-fA-F]{3,8}\b`).FindAllString(page, -1) {
		if colour != "#fff" && colour != "#000" {
			t.Errorf("colour %s", colour)
		}
	}
	for _, want := range []string{r.Recommended, "Prepared by", plan.Governs, "Rules behind the figures"} {
		if !strings.Contains(page, want) {
			t.Errorf("%q is missing", want)
		}
	}
	if strings.Count(page, "<table") != strings.Count(page, "</table>") {
		t.Error("tables do not close")
	}
}

func TestTheShortFormShowsEverySwapAndTheCautionsOfThisPlan(t *testing.T) {
	r := report(t, same)
	for name, write := range map[string]func(*strings.Builder, Options) error{
		"text": func(b *strings.Builder, o Options) error { return Text(b, r, o) },
		"HTML": func(b *strings.Builder, o Options) error { return HTML(b, r, o) },
	} {
		var short, full strings.Builder
		if err := write(&short, Options{}); err != nil {
			t.Fatal(err)
		}
		if err := write(&full, Options{Full: true}); err != nil {
			t.Fatal(err)
		}
		// 14 packs on hand, two in use: 12 swaps, the last to pack 14
		if len(r.Rotation.Swaps) != 12 || !strings.Contains(short.String(), "tool pack 14") {
			t.Errorf("%s: not every one of %d swaps is shown", name, len(r.Rotation.Swaps))
		}
		for _, c := range r.Cautions {
			word := strings.Fields(c.Text)[0] + " " + strings.Fields(c.Text)[1]
			if !strings.Contains(full.String(), word) || c.General == strings.Contains(short.String(), word) {
				t.Errorf("%s: caution %s, general %v", name, c.ID, c.General)
			}
		}
		if !strings.Contains(short.String(), "where it is wet") {
			t.Errorf("%s: the wet place is not said", name)
		}
	}
}
