package survey

import (
	"fmt"
	"html"
	"io"
	"math"
	"slices"
	"strings"
)

// The measures of the plot, in SVG user units.
const (
	plotWidth   = 980
	rowHeight   = 92
	headHeight  = 96
	valuesFrom  = 250 // the rounds' own values
	valuesTo    = 560
	shiftFrom   = 650 // the difference with its interval
	shiftTo     = 950
	laneSpacing = 26
)

// WriteSVG draws one comparison so that it can be read at a glance, in black and
// white as well: for every question the verdict in words, every round's value (A
// hollow, the other filled, a bar at each median), and the difference with its
// interval against the band of differences that do not matter. It has no script
// and loads nothing.
func WriteSVG(w io.Writer, r Report, c Comparison) error {
	var s strings.Builder
	height := headHeight + rowHeight*len(c.Answers) + 30
	fmt.Fprintf(&s, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d %d" font-family="sans-serif" font-size="13" role="img">`+"\n", plotWidth, height)
	fmt.Fprintf(&s, `<title>Survey %s: %s against %s</title>`+"\n", html.EscapeString(r.Name), c.Other, c.Base)
	fmt.Fprintf(&s, `<rect width="%d" height="%d" fill="white"/>`+"\n", plotWidth, height)
	text := func(x, y float64, style, words string) {
		fmt.Fprintf(&s, `<text x="%.1f" y="%.1f" %s>%s</text>`+"\n", x, y, style, html.EscapeString(words))
	}
	other := int(c.Other[0] - 'A')
	text(20, 26, `font-size="18" font-weight="bold"`, "Survey "+shorten(r.Name, 60))
	text(20, 48, "", fmt.Sprintf("%s (hollow): %s", c.Base, shorten(r.Arrangements[0], 60)))
	text(20, 66, "", fmt.Sprintf("%s (filled): %s", c.Other, shorten(r.Arrangements[other], 60)))
	text(20, 84, `fill="#555"`, fmt.Sprintf("%s UTC, %d of %d rounds, judged at the %s", r.Begun.UTC().Format("2006-01-02 15:04"), r.Made, r.Declared, r.Section))
	text(shiftFrom, 66, `fill="#555"`, fmt.Sprintf("%s less %s, 95 %% interval;", c.Other, c.Base))
	text(shiftFrom, 84, `fill="#555"`, "grey: too small to matter")
	for i, a := range c.Answers {
		top := float64(headHeight + i*rowHeight)
		fmt.Fprintf(&s, `<line x1="20" y1="%.1f" x2="%d" y2="%.1f" stroke="#ccc"/>`+"\n", top, plotWidth-20, top)
		title := a.Question.Title()
		if a.Primary {
			title += " *"
		}
		text(20, top+24, `font-weight="bold"`, title)
		text(20, top+48, `font-size="17"`, strings.ToUpper(string(a.Verdict)))
		if a.MoreKnown && a.Verdict == CannotTell {
			text(20, top+68, `fill="#555"`, fmt.Sprintf("about %d more rounds of each", a.More))
		}
		if !a.Compared {
			text(valuesFrom, top+40, `fill="#555"`, shorten(a.Because, 90))
			continue
		}
		drawValues(&s, text, top, a)
		drawShift(&s, text, top, a)
	}
	text(20, float64(height-10), `fill="#555"`, "* declared beforehand as the question that decides")
	s.WriteString("</svg>\n")
	_, err := io.WriteString(w, s.String())
	return err
}

type writeText func(x, y float64, style, words string)

// drawValues draws two lanes of round values on one scale that starts at 0.
func drawValues(s *strings.Builder, text writeText, top float64, a Answer) {
	most := max(slices.Max(a.BaseValues), slices.Max(a.OtherValues))
	if most == 0 { // nothing but zeros: any scale shows them
		most = 1
		if a.Question == Loss {
			most = a.Matters
		}
	}
	at := func(v float64) float64 { return valuesFrom + (valuesTo-valuesFrom)*v/most }
	for lane, values := range [][]float64{a.BaseValues, a.OtherValues} {
		y := top + 22 + float64(lane)*laneSpacing
		fill, mid := "white", a.BaseMedian
		if lane == 1 {
			fill, mid = "black", a.OtherMedian
		}
		fmt.Fprintf(s, `<line x1="%d" y1="%.1f" x2="%d" y2="%.1f" stroke="#ddd"/>`+"\n", valuesFrom, y, valuesTo, y)
		for _, v := range values {
			fmt.Fprintf(s, `<circle cx="%.1f" cy="%.1f" r="4" fill="%s" fill-opacity="0.7" stroke="black"/>`+"\n", at(v), y, fill)
		}
		fmt.Fprintf(s, `<line x1="%.1f" y1="%.1f" x2="%.1f" y2="%.1f" stroke="black" stroke-width="3"/>`+"\n", at(mid), y-10, at(mid), y+10)
		text(valuesTo+8, y+4, "", format(mid, a.Unit))
	}
	text(valuesFrom, top+80, `fill="#555"`, format(0, a.Unit))
	text(valuesTo, top+80, `fill="#555" text-anchor="middle"`, format(most, a.Unit))
}

// drawShift draws the interval on a scale that holds it and the band.
func drawShift(s *strings.Builder, text writeText, top float64, a Answer) {
	reach := 1.15 * max(math.Abs(a.Lower), math.Abs(a.Upper), math.Abs(a.Difference), 1.6*a.Matters)
	if !(reach > 0) {
		return
	}
	middle := float64(shiftFrom+shiftTo) / 2
	at := func(v float64) float64 { return middle + float64(shiftTo-shiftFrom)/2*v/reach }
	y := top + 36
	fmt.Fprintf(s, `<rect x="%.1f" y="%.1f" width="%.1f" height="44" fill="#ddd"/>`+"\n", at(-a.Matters), y-22, at(a.Matters)-at(-a.Matters))
	fmt.Fprintf(s, `<line x1="%.1f" y1="%.1f" x2="%.1f" y2="%.1f" stroke="black" stroke-dasharray="4 3"/>`+"\n", middle, y-26, middle, y+26)
	if a.Bounded {
		fmt.Fprintf(s, `<line x1="%.1f" y1="%.1f" x2="%.1f" y2="%.1f" stroke="black" stroke-width="3"/>`+"\n", at(a.Lower), y, at(a.Upper), y)
	}
	fmt.Fprintf(s, `<rect x="%.1f" y="%.1f" width="12" height="12" fill="black"/>`+"\n", at(a.Difference)-6, y-6)
	words := signed(a.Difference, a.Unit)
	if a.Question != Loss && a.BaseMedian > 0 {
		words += fmt.Sprintf(" (%+.0f %%)", 100*a.Difference/a.BaseMedian)
	}
	text(middle, top+80, `text-anchor="middle"`, words)
	good := [2]string{"better", "worse"} // left and right of 0
	if a.Question.MoreIsBetter() {
		good = [2]string{"worse", "better"}
	}
	text(shiftFrom, top+80, `fill="#555"`, good[0])
	text(shiftTo, top+80, `fill="#555" text-anchor="end"`, good[1])
}

func shorten(s string, runes int) string {
	if r := []rune(s); len(r) > runes {
		return string(r[:runes-1]) + "…"
	}
	return s
}
