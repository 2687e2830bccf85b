// Package planpage shows a plan's report: as text for a terminal, and as a page
// of HTML that prints black and white on A4 and Letter without any other file.
package planpage

import (
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"time"

	"candlemark/agent/plan"
)

// Options say what to show.
type Options struct {
	Full bool      // every arrangement in detail, and the rules behind the figures
	Made time.Time // when the page was made; zero leaves it out
}

// detailed are the arrangements to show in detail: the recommended one, or all.
func detailed(r plan.Report, full bool) []plan.Result {
	var out []plan.Result
	for _, a := range r.Arrangements {
		if full || r.Recommended == "" || a.Name == r.Recommended {
			out = append(out, a)
		}
	}
	return out
}

// Text writes the report for a terminal; the first line is the answer.
func Text(w io.Writer, r plan.Report, o Options) error {
	var b strings.Builder
	fmt.Fprintln(&b, r.Answer)
	fmt.Fprintln(&b, title(r))
	if len(r.Arrangements) > 1 {
		compared(&b, r)
	}
	if len(r.Arrangements) > 0 {
		para(&b, "", r.Reason)
	}
	for _, a := range detailed(r, o.Full) {
		arrangement(&b, r, a, o.Full)
	}
	if r.Rotation != nil {
		rotation(&b, *r.Rotation)
	} else if r.RotationWhy != "" {
		para(&b, "\nPacks: ", r.RotationWhy)
	}
	placement(&b, r)
	fmt.Fprintf(&b, "\nCautions; for each, %s:\n", plan.Governs)
	for _, c := range cautions(r, o.Full) {
		para(&b, "- ", c.Text)
	}
	if left := moreCautions(r, o.Full); left > 0 {
		fmt.Fprintf(&b, "And %d of good practice with any such plan: --full shows them.\n", left)
	}
	if o.Full {
		fmt.Fprintln(&b, "\nRules behind the figures")
		for _, x := range r.Rules {
			para(&b, "- ", x.Text+" ["+x.Source+"]")
		}
	} else if len(r.Rules) > 0 {
		fmt.Fprintln(&b, "\n--full shows every arrangement and the rules behind the figures.")
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// cautions are those to show: all, or those that this plan gives cause for.
func cautions(r plan.Report, full bool) []plan.Caution {
	var out []plan.Caution
	for _, c := range r.Cautions {
		if full || !c.General {
			out = append(out, c)
		}
	}
	return out
}

func moreCautions(r plan.Report, full bool) int {
	return len(r.Cautions) - len(cautions(r, full))
}

func title(r plan.Report) string {
	out := r.Name
	if r.Site != "" {
		out += ", " + r.Site
	}
	if r.NeedS > 0 {
		out += "; needed for " + need(r)
	}
	return out
}

func need(r plan.Report) string { return plan.Span(time.Duration(r.NeedS * float64(time.Second))) }

// para wraps text at 96 columns with the first line's lead as indent.
func para(b *strings.Builder, lead, text string) {
	const width = 96
	indent := strings.Repeat(" ", len(strings.TrimLeft(lead, "\n")))
	line := lead
	start := true
	for word := range strings.FieldsSeq(text) {
		if !start && len([]rune(strings.TrimLeft(line, "\n")))+1+len([]rune(word)) > width {
			fmt.Fprintln(b, line)
			line, start = indent, true
		}
		if !start {
			line += " "
		}
		line += word
		start = false
	}
	fmt.Fprintln(b, line)
}

func table(b *strings.Builder) *tabwriter.Writer { return tabwriter.NewWriter(b, 0, 0, 2, ' ', 0) }

func compared(b *strings.Builder, r plan.Report) {
	fmt.Fprintln(b)
	t := table(b)
	fmt.Fprintln(t, "  arrangement\tverdict\tat least\texpected\tmean W\tall on\tlimit")
	for _, a := range r.Arrangements {
		mark := " "
		if a.Name == r.Recommended {
			mark = "*"
		}
		fmt.Fprintf(t, "%s %s\t%s\t%s\t%s\t%s\t%s\t%s\n", mark, a.Name, a.Verdict, lasts(a, false), lasts(a, true), meanW(a), upShare(a), limitOf(a))
	}
	t.Flush()
	fmt.Fprintln(b)
}

func lasts(a plan.Result, expected bool) string {
	switch {
	case a.Verdict != plan.Runs:
		return "-"
	case a.Endurance == nil:
		return "supply"
	case expected:
		return plan.Span(a.Endurance.Expected)
	}
	return plan.Span(a.Endurance.Low)
}

func meanW(a plan.Result) string {
	if a.MeanW <= 0 {
		return "-"
	}
	return fmt.Sprintf("%.1f", a.MeanW)
}

func upShare(a plan.Result) string { return fmt.Sprintf("%.0f %%", 100*a.UpRatio) }

func arrangement(b *strings.Builder, r plan.Report, a plan.Result, full bool) {
	fmt.Fprintf(b, "\n%s\n", strings.ToUpper(a.Name))
	if answerOpen(r, a) {
		para(b, "  ", a.Answer)
	}
	for _, x := range gives(a) {
		para(b, "  ", x)
	}
	if a.PacksFor != nil {
		fmt.Fprintf(b, "  Packs for the time needed, low figure: %.0f\n", *a.PacksFor)
	}
	for _, f := range a.Feeds {
		feed(b, f, full)
	}
}

// answerOpen says whether the arrangement's answer is not the first line already.
func answerOpen(r plan.Report, a plan.Result) bool {
	return len(r.Arrangements) > 1 && a.Name != r.Recommended
}

// gives says what ends first and, another thing, what limits growth; of what does
// not run, what fails.
func gives(a plan.Result) []string {
	if a.Verdict != plan.Runs {
		if a.FailsFirst == "" {
			return nil
		}
		return []string{"Fails first: " + failsFirst(a) + "."}
	}
	out := []string{"First to end: " + a.EndsFirst + "."}
	if a.GrowthLimitW != nil {
		out = append(out, "If the load grows: "+limitOf(a)+".")
	}
	return out
}

// limitOf is the element that fails or, of what runs, gives way as the load grows.
func limitOf(a plan.Result) string {
	switch {
	case a.Verdict != plan.Runs:
		return a.FailsFirst
	case a.GrowthLimitW == nil:
		return "-"
	}
	return fmt.Sprintf("%s at %.0f W", a.GrowthLimit, *a.GrowthLimitW)
}

func failsFirst(a plan.Result) string {
	if a.Verdict == plan.WillNotRun { // its answer says why
		return a.FailsFirst
	}
	return a.FailsFirst + ", " + a.FailsFirstWhy
}

func placement(b *strings.Builder, r plan.Report) {
	if len(r.Places)+len(r.Relays) == 0 {
		return
	}
	fmt.Fprintln(b, "\nPLACEMENT, guides only: measure before you rely on it")
	for _, p := range r.Places {
		para(b, "  ", p.Name+": "+lossText(p)+" "+p.Advice)
	}
	for _, x := range r.Relays {
		para(b, "  ", x.Name+": "+x.Advice)
	}
	for _, g := range r.Guide {
		para(b, "  - ", g)
	}
}

func lossText(p plan.PlaceResult) string {
	out := fmt.Sprintf("free space %.1f dB", p.FreeSpaceDB)
	if p.IndoorDB != nil {
		out += fmt.Sprintf(", indoors %.1f dB", *p.IndoorDB)
	}
	if p.EntryDB != nil {
		out += fmt.Sprintf(", building %.1f dB (8 places in 10 lie within %.1f to %.1f)", *p.EntryDB, *p.EntryLowDB, *p.EntryHighDB)
	}
	if p.EntryAtDB != nil {
		out += fmt.Sprintf(", in %.1f %% of places no more than %.1f", 100*p.Share, *p.EntryAtDB)
	}
	if p.WallsDB != nil {
		out += fmt.Sprintf(", walls %.1f dB", *p.WallsDB)
	}
	if p.EntryDB != nil || p.IndoorDB != nil || p.WallsDB != nil {
		out += fmt.Sprintf(", together %.1f dB", p.MedianDB)
	}
	return out + "."
}
