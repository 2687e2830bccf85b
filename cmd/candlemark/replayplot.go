package main

import (
	"errors"
	"fmt"
	"html"
	"math"
	"os"
	"slices"
	"strings"
	"time"

	"candlemark/agent/alarm"
	"candlemark/agent/pack"
)

// The measures of the plot, in SVG user units.
const (
	plotW, plotH = 860, 440
	plotLeft     = 90
	plotRight    = 840
	plotTop      = 70
	plotBottom   = 380
	plotColumns  = 400 // points drawn at most
)

// replayPlot places a replay on the sheet. Both axes are times in seconds.
type replayPlot struct {
	b          strings.Builder
	begin, end time.Duration // of the run, to the cut-off
	top        float64       // of the upright axis
	reached    bool
	rows       []replayed // thinned
}

// writePlot draws what was forecast against what came true, so that it reads in
// black and white as well: the range as a grey band, the expected time as a line,
// the truth dashed, and each first raising of an alarm as a mark.
func writePlot(path string, spec pack.Spec, learned bool, rows []replayed) error {
	if len(rows) < 2 {
		return errors.New("plot: the trace has too few rows to draw")
	}
	end, reached := cutoffOf(rows)
	p := replayPlot{begin: rows[0].T, end: end, reached: reached}
	if p.end <= p.begin {
		return errors.New("plot: the pack was at its cut-off from the beginning: there is nothing to draw")
	}
	p.thin(rows)
	// Room for the range, but not for one that says next to nothing.
	p.top = 1.25 * (p.end - p.begin).Seconds()
	p.draw(spec, learned, rows)
	if err := os.WriteFile(path, []byte(p.b.String()), 0o644); err != nil {
		return fmt.Errorf("plot: %w", err)
	}
	return nil
}

// thin keeps one row for each column of the sheet.
func (p *replayPlot) thin(rows []replayed) {
	last := -1
	for _, r := range rows {
		if r.T > p.end {
			break
		}
		column := int(float64(r.T-p.begin) / float64(p.end-p.begin) * plotColumns)
		if column != last || r.T == p.end {
			p.rows, last = append(p.rows, r), column
		}
	}
}

func (p *replayPlot) x(t time.Duration) float64 {
	return plotLeft + (plotRight-plotLeft)*float64(t-p.begin)/float64(p.end-p.begin)
}

func (p *replayPlot) y(left time.Duration) float64 {
	return plotBottom - (plotBottom-plotTop)*math.Min(left.Seconds()/p.top, 1)
}

func (p *replayPlot) text(x, y float64, style, words string) {
	fmt.Fprintf(&p.b, `<text x="%.1f" y="%.1f" %s>%s</text>`+"\n", x, y, style, html.EscapeString(words))
}

func (p *replayPlot) draw(spec pack.Spec, learned bool, all []replayed) {
	fmt.Fprintf(&p.b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d %d" font-family="sans-serif" font-size="13" role="img">`+"\n", plotW, plotH)
	history := "nothing known of it beforehand"
	if learned {
		history = "with what earlier discharges taught"
	}
	title := fmt.Sprintf("Time left of a pack: %s, %d in series, %.3g Ah, %s", spec.Chemistry, spec.SeriesCells, spec.CapacityAh, history)
	fmt.Fprintf(&p.b, "<title>%s</title>\n<rect width=\"%d\" height=\"%d\" fill=\"white\"/>\n", html.EscapeString(title), plotW, plotH)
	p.text(plotLeft, 24, `font-size="16" font-weight="bold"`, title)
	p.axes()
	p.band()
	fmt.Fprintf(&p.b, `<line class="truth" x1="%.1f" y1="%.1f" x2="%.1f" y2="%.1f" stroke="black" stroke-width="1.5" stroke-dasharray="6 4"/>`+"\n",
		p.x(p.begin), p.y(p.end-p.begin), p.x(p.end), p.y(0))
	p.line("expected", "#0b4f9e", 2.5, func(r replayed) (time.Duration, bool) { return r.Forecast.Expected, r.Forecast.Known })
	p.alarms(all)
	p.key()
	p.b.WriteString("</svg>\n")
}

// band is the range where it is known; a gap where it is not. It is cut off at the
// upper edge, where it is wider than the sheet.
func (p *replayPlot) band() {
	for i := 0; i < len(p.rows); {
		if !p.rows[i].Forecast.Known {
			i++
			continue
		}
		j := i
		for j < len(p.rows) && p.rows[j].Forecast.Known {
			j++
		}
		var points []string
		for _, r := range p.rows[i:j] {
			points = append(points, fmt.Sprintf("%.1f,%.1f", p.x(r.T), p.y(r.Forecast.High)))
		}
		for _, r := range slices.Backward(p.rows[i:j]) {
			points = append(points, fmt.Sprintf("%.1f,%.1f", p.x(r.T), p.y(r.Forecast.Low)))
		}
		fmt.Fprintf(&p.b, `<polygon class="range" points="%s" fill="#c9d3e0"/>`+"\n", strings.Join(points, " "))
		i = j
	}
}

func (p *replayPlot) line(class, colour string, width float64, at func(replayed) (time.Duration, bool)) {
	var points []string
	flush := func() {
		if len(points) > 1 {
			fmt.Fprintf(&p.b, `<polyline class="%s" points="%s" fill="none" stroke="%s" stroke-width="%g"/>`+"\n", class, strings.Join(points, " "), colour, width)
		}
		points = nil
	}
	for _, r := range p.rows {
		left, known := at(r)
		if !known {
			flush()
			continue
		}
		points = append(points, fmt.Sprintf("%.1f,%.1f", p.x(r.T), p.y(left)))
	}
	flush()
}

// alarms marks when each alarm was first raised. Names take turns in height, so
// that two that come together can be read.
func (p *replayPlot) alarms(all []replayed) {
	seen := map[string]bool{}
	for _, r := range all {
		for _, c := range r.Changes {
			name := string(c.Alarm.Name)
			if !c.Raised || seen[name] || r.T > p.end {
				continue
			}
			x, y := p.x(r.T), float64(plotTop+14+18*len(seen))
			seen[name] = true
			fmt.Fprintf(&p.b, `<line class="alarm" x1="%.1f" y1="%.1f" x2="%.1f" y2="%d" stroke="#a02000" stroke-width="1.2"/>`+"\n", x, y-10, x, plotBottom)
			words := name
			if before := p.end - r.T; before > 0 {
				words += ", " + pack.Left(before) + " before"
			}
			if x < (plotLeft+plotRight)/2 {
				p.text(x+4, y, `fill="#a02000"`, words)
			} else {
				p.text(x-4, y, `text-anchor="end" fill="#a02000"`, words)
			}
		}
	}
}

func (p *replayPlot) axes() {
	fmt.Fprintf(&p.b, `<rect x="%d" y="%d" width="%d" height="%d" fill="none" stroke="#888"/>`+"\n", plotLeft, plotTop, plotRight-plotLeft, plotBottom-plotTop)
	step := tick((p.end - p.begin).Seconds())
	for s := 0.0; s <= p.top; s += step {
		left := time.Duration(s * float64(time.Second))
		fmt.Fprintf(&p.b, `<line x1="%d" y1="%.1f" x2="%d" y2="%.1f" stroke="#ddd"/>`+"\n", plotLeft, p.y(left), plotRight, p.y(left))
		p.text(plotLeft-6, p.y(left)+4, `text-anchor="end"`, alarm.Exact(left))
		if at := p.begin + left; at <= p.end {
			fmt.Fprintf(&p.b, `<line x1="%.1f" y1="%d" x2="%.1f" y2="%d" stroke="#888"/>`+"\n", p.x(at), plotBottom, p.x(at), plotBottom+5)
			p.text(p.x(at), plotBottom+20, `text-anchor="middle"`, alarm.Exact(left))
		}
	}
	p.text(plotLeft, plotTop-8, `fill="#444"`, "time left")
	p.text(plotRight, plotBottom+38, `text-anchor="end" fill="#444"`, "time since the discharge began")
}

// tick is a round step that gives four to eight ticks.
func tick(seconds float64) float64 {
	for _, step := range []float64{10, 30, 60, 120, 300, 600, 900, 1800, 3600, 2 * 3600, 4 * 3600, 6 * 3600, 12 * 3600} {
		if seconds/step <= 8 {
			return step
		}
	}
	return math.Ceil(seconds/8/86400) * 86400
}

func (p *replayPlot) key() {
	y := float64(plotTop - 20)
	fmt.Fprintf(&p.b, `<line x1="190" y1="%.1f" x2="220" y2="%.1f" stroke="#0b4f9e" stroke-width="2.5"/>`+"\n", y, y)
	p.text(226, y+4, "", "expected")
	fmt.Fprintf(&p.b, `<rect x="310" y="%.1f" width="30" height="12" fill="#c9d3e0"/>`+"\n", y-6)
	p.text(346, y+4, "", "range meant to hold 9 in 10")
	fmt.Fprintf(&p.b, `<line x1="540" y1="%.1f" x2="570" y2="%.1f" stroke="black" stroke-width="1.5" stroke-dasharray="6 4"/>`+"\n", y, y)
	truth := "what came true"
	if !p.reached {
		truth = "up to the end of the recording, before the cut-off"
	}
	p.text(576, y+4, "", truth)
}
