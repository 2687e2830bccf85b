package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"candlemark/agent/alarm"
	"candlemark/agent/pack"
)

// ndjsonRows prints one object a row. Other tools read these names.
type ndjsonRows struct{ enc *json.Encoder }

type ndjsonRow struct {
	TS          float64  `json:"t_s"`
	VoltageV    float64  `json:"voltage_v"`
	CurrentA    float64  `json:"current_a"`
	ChargeRatio *float64 `json:"charge_ratio"`
	RuntimeS    *float64 `json:"runtime_s"`
	LowS        *float64 `json:"runtime_low_s"`
	HighS       *float64 `json:"runtime_high_s"`
	Alarms      []string `json:"alarms"`
}

func (n ndjsonRows) row(r replayed) {
	o := ndjsonRow{TS: r.T.Seconds(), VoltageV: r.PackV, CurrentA: r.PackA, Alarms: []string{}}
	f := r.Forecast
	if f.ChargeKnown {
		o.ChargeRatio = &f.ChargeRatio
	}
	switch {
	case r.AtCutoff:
		zero := 0.0
		o.RuntimeS, o.LowS, o.HighS = &zero, &zero, &zero
	case f.Known:
		o.RuntimeS, o.LowS, o.HighS = seconds(f.Expected), seconds(f.Low), seconds(f.High)
	}
	for _, a := range r.Active {
		o.Alarms = append(o.Alarms, string(a.Name))
	}
	_ = n.enc.Encode(o) // into a buffer whose Flush reports the error
}

func seconds(d time.Duration) *float64 {
	s := math.Round(d.Seconds()*10) / 10
	return &s
}

// textRows prints a line at each tenth of the run or change of an alarm, and a
// summary with a plot of what was forecast against what came true.
type textRows struct {
	w       io.Writer
	spec    pack.Spec
	learned int
	leads   alarm.Leads
	rows    []replayed
}

func (t *textRows) row(r replayed) { t.rows = append(t.rows, r) }

func (t *textRows) summary() {
	w := t.w
	if len(t.rows) == 0 {
		fmt.Fprintln(w, "the trace has no rows: nothing to say")
		return
	}
	first, last := t.rows[0], t.rows[len(t.rows)-1]
	fmt.Fprintf(w, "pack: %s, %d in series, %.4g Ah on the label, cut-off %.4g V; %s learned\n",
		t.spec.Chemistry, t.spec.SeriesCells, t.spec.CapacityAh, t.cutoffV(), count(t.learned, "earlier discharge"))
	fmt.Fprintf(w, "%9s %8s %8s %8s  %s\n", "time", "volts", "amperes", "charge", "time left, 9 in 10 within")
	next := first.T
	for _, r := range t.rows {
		for _, c := range r.Changes {
			verb := "cleared"
			if c.Raised {
				verb = "RAISED"
			}
			fmt.Fprintf(w, "%9s   %s %s: %s\n", clock(r.T), verb, c.Alarm.Name, c.Because)
		}
		if r.T >= next {
			fmt.Fprintf(w, "%9s %8.3f %8.3f %8s  %s\n", clock(r.T), r.PackV, r.PackA, charge(r.Forecast), left(r))
			next += (last.T - first.T) / 10
		}
	}
	end, reached := t.cutoff()
	if reached {
		fmt.Fprintf(w, "\ncut-off reached at %s", clock(end))
	} else {
		fmt.Fprintf(w, "\nthe trace ends at %s before the cut-off was seen", clock(end))
	}
	fmt.Fprintf(w, "; %.3f Ah and %.2f Wh drawn\n", t.drawn(false), t.drawn(true))
	t.leadReport(end)
	t.plot(end)
}

// cutoffV is the cut-off that the last forecast went by, or the pack's own where
// there was none.
func (t *textRows) cutoffV() float64 {
	for _, r := range slices.Backward(t.rows) {
		if r.Forecast.Known && r.Forecast.CutoffV > 0 {
			return r.Forecast.CutoffV
		}
	}
	return t.spec.CutoffV
}

// leadReport says how long before the end each lead alarm came.
func (t *textRows) leadReport(end time.Duration) {
	for _, name := range []alarm.Name{alarm.BringNextPack, alarm.ShutTerminalDown} {
		said := false
		for _, r := range t.rows {
			for _, c := range r.Changes {
				if c.Raised && c.Alarm.Name == name && !said {
					fmt.Fprintf(t.w, "%s came %s before the end (lead %s)\n", name, pack.Left(end-r.T), pack.Left(t.lead(name)))
					said = true
				}
			}
		}
		if !said {
			fmt.Fprintf(t.w, "%s was not raised\n", name)
		}
	}
}

func (t *textRows) lead(n alarm.Name) time.Duration {
	if n == alarm.BringNextPack {
		return t.leads.NextPack
	}
	return t.leads.ShutDown
}

func (t *textRows) cutoff() (time.Duration, bool) { return cutoffOf(t.rows) }

// cutoffOf is when the cut-off was reached, or the end of the trace.
func cutoffOf(rows []replayed) (time.Duration, bool) {
	for _, r := range rows {
		if r.AtCutoff {
			return r.T, true
		}
	}
	return rows[len(rows)-1].T, false
}

// drawn is the charge (Ah) or energy (Wh) taken out.
func (t *textRows) drawn(energy bool) float64 {
	sum := 0.0
	for i := 1; i < len(t.rows); i++ {
		r := t.rows[i]
		x := r.PackA
		if energy {
			x *= r.PackV
		}
		sum += math.Max(x, 0) * (r.T - t.rows[i-1].T).Hours()
	}
	return sum
}

// plot draws, over the time of the run, the time left that was expected (o), its
// interval (|) and what came true (/).
func (t *textRows) plot(end time.Duration) {
	const width, height = 64, 16
	first := t.rows[0].T
	if end <= first {
		return
	}
	top := 0.0
	for _, r := range t.rows {
		if r.Forecast.Known && r.T <= end {
			top = math.Max(top, r.Forecast.Expected.Seconds())
		}
	}
	top = math.Max(top, (end-first).Seconds()) * 1.15
	grid := make([][]byte, height)
	for y := range grid {
		grid[y] = []byte(strings.Repeat(" ", width))
	}
	level := func(s float64) int { return height - 1 - int(math.Min(s/top, 0.999)*height) }
	column := -1
	for _, r := range t.rows {
		x := min(int(float64(r.T-first)/float64(end-first)*width), width-1)
		if x == column || r.T > end {
			continue
		}
		column = x
		if f := r.Forecast; f.Known {
			for y := level(f.High.Seconds()); y <= level(f.Low.Seconds()); y++ {
				grid[y][x] = '|'
			}
			grid[level((end - r.T).Seconds())][x] = '/'
			grid[level(f.Expected.Seconds())][x] = 'o'
		} else {
			grid[level((end - r.T).Seconds())][x] = '/'
		}
	}
	fmt.Fprintf(t.w, "\ntime left over time: o expected, | nine in ten, / what came true\n")
	for y, line := range grid {
		label := ""
		if y%5 == 0 {
			label = pack.Left(time.Duration(top * float64(height-y) / height * 1e9))
		}
		fmt.Fprintf(t.w, "%11s %s\n", label, strings.TrimRight(string(line), " "))
	}
	fmt.Fprintf(t.w, "%11s %-*s%s\n", "", width-8, clock(first), clock(end))
}

// left is the answer at one row: a pack that was flat stays so until it is charged,
// whatever its voltage does once the load is gone.
func left(r replayed) string {
	if r.AtCutoff {
		return "at cut-off"
	}
	return remaining(r.Forecast)
}

func charge(f pack.Forecast) string {
	if !f.ChargeKnown {
		return "unknown"
	}
	return fmt.Sprintf("%.0f %%", 100*f.ChargeRatio)
}

// clock prints a time on the trace's own line.
func clock(d time.Duration) string {
	s := int(d.Round(time.Second) / time.Second)
	return fmt.Sprintf("%d:%02d:%02d", s/3600, s/60%60, s%60)
}
