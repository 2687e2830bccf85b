package httpd

import (
	"fmt"
	"time"

	"candlemark/agent/pack"
	"candlemark/agent/status"
)

// curveView is a plot in words, for who does not see it.
type curveView struct {
	Index int
	Name  string
	Shown bool
	Text  string
	Rows  []curveRow
}

type curveRow struct{ At, What, Value, More string }

// tableRows is how many lines a plot's table has at most, per line of the plot.
const tableRows = 12

// describeCurves puts what the plots show into words and tables.
func describeCurves(c curves, s *status.Snapshot) (packs []curveView, history curveView) {
	at := func(t float64) string {
		if !c.ClockSet {
			return about(time.Duration(c.Now-t)*time.Second) + " ago"
		}
		return timeOfDay(time.Unix(int64(t), 0), "15:04")
	}
	for i, p := range c.Packs {
		v := curveView{Index: i, Name: p.Name, Text: "No reading yet."}
		if n := len(p.At); n > 0 {
			v.Text = fmt.Sprintf("From %s V at %s to %s V now.", num(p.Volts[0], 2), at(p.At[0]), num(p.Volts[n-1], 2))
			for k := range tableRows {
				if i := rowAt(k, n); i >= 0 {
					v.Rows = append(v.Rows, curveRow{At: at(p.At[i]), Value: num(p.Volts[i], 2) + " V"})
				}
			}
		}
		if f := s.Packs[i].Forecast; f.Known && f.Expected > 0 {
			v.Text += fmt.Sprintf(" It reaches its cut-off of %s V most likely in %s%s, and 9 times in 10 between %s and %s from now. The line itself is not foretold, only when it meets the cut-off.",
				num(p.CutoffV, 2), pack.Left(f.Expected), atTime(", at ", f.Expected, s), pack.Left(f.Low), pack.Left(f.High))
		} else if f.Known {
			v.Text += " It is at its cut-off of " + num(p.CutoffV, 2) + " V."
		}
		packs = append(packs, v)
	}
	for _, l := range c.Links {
		history.Shown = true
		n := len(l.At)
		if n == 0 {
			history.Text += l.Name + ": not measured yet. "
			continue
		}
		slowest, silent, loss := 0.0, 0, 0.0
		for k, ms := range l.Ms {
			if ms == nil {
				silent++
			} else {
				slowest = max(slowest, *ms)
			}
			loss = max(loss, l.Loss[k])
		}
		history.Text += fmt.Sprintf("%s since %s: slowest %s ms, worst loss %s %%", l.Name, at(l.At[0]), num(slowest, 1), num(100*loss, 0))
		if silent > 0 {
			history.Text += fmt.Sprintf(", without any answer in %d of %d looks", silent, n)
		}
		history.Text += ". "
		for k := range tableRows {
			i := rowAt(k, n)
			if i < 0 {
				continue
			}
			value := "no answer"
			if l.Ms[i] != nil {
				value = num(*l.Ms[i], 1) + " ms"
			}
			history.Rows = append(history.Rows, curveRow{At: at(l.At[i]), What: l.Name, Value: value, More: num(100*l.Loss[i], 0) + " %"})
		}
	}
	return packs, history
}

// rowAt spreads a table's rows over n points: the k-th row's point, -1 for none.
func rowAt(k, n int) int {
	if n <= tableRows {
		if k < n {
			return k
		}
		return -1
	}
	return k * (n - 1) / (tableRows - 1)
}
