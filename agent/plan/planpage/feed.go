package planpage

import (
	"fmt"
	"strings"

	"candlemark/agent/plan"
)

func feed(b *strings.Builder, f plan.FeedResult, full bool) {
	fmt.Fprintln(b)
	para(b, "  ", headline(f))
	if len(f.Elements) > 0 {
		t := table(b)
		fmt.Fprintln(t, "    in order from the source\tV in\tV out\tA\tlost W\t")
		for _, e := range f.Elements {
			fmt.Fprintf(t, "    %s\t%.2f\t%.2f\t%.2f\t%s\t%s\n", e.Name, e.InV, e.OutV, e.CurrentA, lost(e), e.Detail)
		}
		t.Flush()
	}
	for _, x := range f.Fuses {
		para(b, "    ", fuse(x))
	}
	t := table(b)
	shown := near(f, full)
	for _, l := range shown {
		fmt.Fprintf(t, "    %s\t%s\n", limitName(l), limitText(f, l))
	}
	t.Flush()
	if left := len(f.Limits) - len(shown); left > 0 {
		fmt.Fprintf(b, "    other limits, with %.0f %% or more in hand: %d\n", 100*nearMargin, left)
	}
	for _, n := range f.Notes {
		para(b, "    ", "Note: "+n)
	}
}

func lost(e plan.ElementResult) string {
	if e.Kind == "load" {
		return "-"
	}
	return fmt.Sprintf("%.2f", e.LossW)
}

// headline is a feed in one sentence.
func headline(f plan.FeedResult) string {
	if f.UsualA == nil {
		return fmt.Sprintf("From %s at %.1f V: %s.", f.Source, f.UsualV, f.Why)
	}
	out := fmt.Sprintf("From %s: %.2f A at the lowest voltage, %.1f V (%.2f A at %.1f V)", f.Source, f.WorstA, f.WorstV, *f.UsualA, f.UsualV)
	if f.MeanW != nil {
		out += fmt.Sprintf("; mean %.1f W", *f.MeanW)
	}
	if f.LossRatio != nil {
		out += fmt.Sprintf(", %.0f %% lost on the way", 100**f.LossRatio)
	}
	if f.MostLoadW != nil {
		out += fmt.Sprintf("; at %.1f V it would carry up to %.0f W", f.UsualV, *f.MostLoadW)
	}
	if f.Endurance != nil {
		if f.UsableWh != nil {
			out += "; one pack"
		} else {
			out += "; fuel for"
		}
		out += fmt.Sprintf(" %s (up to %s)", f.Endurance, plan.Span(f.Endurance.High))
	}
	out += "."
	if f.Verdict != plan.Runs {
		out += fmt.Sprintf(" %s: %s.", f.Verdict, f.Why)
	}
	return out
}

func fuse(x plan.FuseCheck) string {
	switch {
	case x.FuseA == nil:
		return fmt.Sprintf("NO FUSE FITS at %s: %s.", x.At, x.Why)
	case !x.OK:
		return fmt.Sprintf("WRONG FUSE at %s: %s.", x.At, x.Why)
	}
	word := "Fuse at"
	if x.Stated {
		word = "Fuse as stated at"
	}
	out := fmt.Sprintf("%s %s: %g A, %s.", word, x.At, *x.FuseA, x.Why)
	if x.SourceA > 0 && x.SourceA < 2**x.FuseA {
		out += fmt.Sprintf(" It may never open, for the converter gives about %.1f A at most: the converter's own limit is the protection, so test it with a short circuit first.", x.SourceA)
	}
	return out
}

// nearMargin is the margin below which a limit is always shown.
const nearMargin = 0.25

// near are the limits to show: all, or those that are close.
func near(f plan.FeedResult, full bool) []plan.Limit {
	var out []plan.Limit
	for _, l := range f.Limits {
		if full || l.Margin < nearMargin {
			out = append(out, l)
		}
	}
	return out
}

func limitName(l plan.Limit) string { return l.Element + ", " + l.What }

// noMargin is below what prints as 0 %.
const noMargin = 0.005

func limitText(f plan.FeedResult, l plan.Limit) string {
	word := "at most"
	if l.Least {
		word = "at least"
	}
	out := fmt.Sprintf("%.2f %s, %s %.2f", l.Value, l.Unit, word, l.Bound)
	if !l.OK {
		return out + ": BEYOND"
	}
	switch {
	case l.Margin >= noMargin:
		return out + fmt.Sprintf(": %.0f %% in hand", 100*l.Margin)
	case l.Least && l.Element == f.StopsBy: // the table is for the lowest voltage at which all runs
		return out + fmt.Sprintf(": 0 %%, ends the pack at %.1f V", f.StopsAtV)
	}
	return out + ": 0 %, NOTHING TO SPARE"
}
