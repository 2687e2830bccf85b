package agent

import (
	"fmt"
	"math"
	"strings"
	"time"

	"candlemark/agent/journal"
	"candlemark/agent/pack"
	"candlemark/agent/schedule"
	"candlemark/agent/status"
	"candlemark/probes"
)

// probed takes a finished probe into the record of its target.
func (s *State) probed(e Probed) []Effect {
	r := e.Result
	s.schedule.Done(r.Target, e.At.Up, r.Bytes)
	s.schedule.Saw(r, e.At.Up)
	cost := s.cost(e.Began, e.At)
	how := ""
	if s.running.Name == r.Target {
		how, s.running = s.running.Describe(), schedule.Start{}
	}
	t := s.target(r.Target)
	if t == nil {
		return nil
	}
	t.energy.add(cost)
	t.attempts++
	t.bytes += uint64(max(r.Bytes, 0))
	t.spent += max(r.Elapsed, 0)
	answered, known := r.Answered()
	idle := r.Section == probes.Uplink && !answered && s.dark()
	// A probe that the board itself could not make says nothing of the link.
	if known && !idle {
		t.told++
		t.answered = answered
	}
	t.lastError = ""
	if r.Err != nil {
		t.failures++
		t.lastError = r.Err.Error()
	}
	// One direction of a transfer may be known beside the other's error.
	var out []Effect
	if r.Latency != nil || r.Throughput != nil || r.Service != nil {
		out = serviceNews(t, e)
		t.last, t.lastKnown, t.lastOld = r, true, false
	} else {
		t.lastOld = t.lastKnown
	}
	if !idle {
		s.trouble.take(r)
		if r.Latency != nil {
			t.takeLatency(r.Latency, e.At.Up)
		}
	}
	s.judgeFit()
	if t.Kind != probes.Throughput {
		return out
	}
	text := throughputText(r) + ", " + costText(cost)
	if how != "" {
		text += "; " + how
	}
	s.spent = false
	return append(out, SaveBudget{State: s.schedule.Save()}, Record{At: e.At, Kind: journal.KindProbe, Subject: t.Name, Text: text})
}

// throughputText is a transfer in one line of the record.
func throughputText(r probes.Result) string {
	var parts []string
	if t := r.Throughput; t != nil {
		if t.DownKnown {
			parts = append(parts, fmt.Sprintf("down %.2f Mbit/s", t.Down/1e6))
		}
		if t.UpKnown {
			parts = append(parts, fmt.Sprintf("up %.2f Mbit/s", t.Up/1e6))
		}
	}
	if r.Err != nil {
		parts = append(parts, "not measured: "+r.Err.Error())
	}
	parts = append(parts, fmt.Sprintf("%.1f MB spent in %s", float64(r.Bytes)/1e6, r.Elapsed.Round(100*time.Millisecond)))
	return strings.Join(parts, ", ")
}

func costText(c schedule.Cost) string {
	if !c.Known {
		return "energy not known: " + c.Why
	}
	return fmt.Sprintf("%.4f Wh over idle (±%.4f)", c.Wh, c.ErrorWh)
}

// tick counts what was used, starts what is due and saves what must survive.
func (s *State) tick(e Tick) []Effect {
	s.clockSet = e.ClockSet
	out := s.turnDay(e)
	in := s.inputs(e)
	start, ok := s.schedule.Due(in) // after it the budget's day is this tick's
	if e.Moved.Total() > 0 {
		s.spent = true
		s.schedule.Spend(schedule.Sending, e.Moved.Sending)
		s.schedule.Spend(schedule.CatchingUp, e.Moved.CatchingUp)
	}
	s.schedule.Traffic(s.now.Up, e.LinkBytes, e.Moved.Total(), e.LinkBytesKnown)
	if ok {
		s.running, s.spent = start, true
		if start.Kind == probes.Throughput { // counted before it is spent, should the power fail meanwhile
			s.spent = false
			out = append(out, SaveBudget{State: s.schedule.Save(), Urgent: true})
		}
		out = append(out, StartProbe{Name: start.Name, Kind: start.Kind})
	}
	if s.now.Up-s.savedUp >= saveEvery {
		out = append(out, s.save()...)
	}
	return out
}

// inputs is the present as the schedule wants it.
func (s *State) inputs(e Tick) schedule.Inputs {
	in := schedule.Inputs{Up: s.now.Up, Day: e.Day, DayLeft: e.DayLeft, MonthLeft: e.MonthLeft}
	for _, t := range s.packs {
		f := s.present(t)
		if !f.Known || f.State != pack.Discharging {
			continue
		}
		if !in.RemainingKnown || f.Cautious < in.Remaining {
			in.Remaining, in.RemainingKnown = f.Cautious, true
		}
		if full, ok := fullWh(t, f); ok {
			ratio := min(f.LoadW*f.Expected.Hours()/full, 1)
			if !in.EnergyKnown || ratio < in.EnergyRatio {
				in.EnergyRatio, in.EnergyKnown = ratio, true
			}
		}
	}
	return in
}

// fullWh is about what a pack holds when full: its capacity as learned, or else as on its
// label, at its present voltage.
func fullWh(t *packTrack, f pack.Forecast) (wh float64, ok bool) {
	capacityAh := t.Spec.CapacityAh
	if f.CapacityKnown {
		capacityAh = f.CapacityAh
	}
	wh = capacityAh * t.reading.PackV
	return wh, t.seen && wh > 0
}

// turnDay puts the day's use on record once it is over.
func (s *State) turnDay(e Tick) []Effect {
	before := s.day
	if e.Day == "" || e.Day == before {
		return nil
	}
	s.day = e.Day
	if before == "" {
		return nil
	}
	day, _ := s.schedule.Used()
	text := fmt.Sprintf("%s: %.1f MB used, of that probes %.1f MB; %s", before, float64(day.Total())/1e6, float64(day.Probing)/1e6, energyText(day.Energy, s.energyView()))
	return []Effect{Record{At: s.now, Kind: journal.KindProbe, Text: text}}
}

func energyText(e schedule.Energy, v status.Energy) string {
	text := fmt.Sprintf("%.3f Wh over idle for %d probes, %d not measured", e.Wh, e.Measured, e.Unmeasured)
	if v.PacksKnown {
		text += fmt.Sprintf(", %.1f %% of the packs' %.0f Wh", 100*e.Wh/v.PacksWh, v.PacksWh)
	}
	return text
}

// dataView is the use of the budgets as it is shown.
func (s State) dataView() status.Data {
	b := s.setup.Schedule.Budget
	day, month := s.schedule.Used()
	v := status.Data{UsedToday: day.Total(), BudgetPerDay: b.PerDay, UsedMonth: month.Total(), BudgetPerMonth: b.PerMonth}
	for _, p := range []struct {
		part       schedule.Part
		name       string
		day, month int64
	}{
		{schedule.Probing, "probing", day.Probing, month.Probing},
		{schedule.Sending, "sending", day.Sending, month.Sending},
		{schedule.CatchingUp, "catching_up", day.CatchingUp, month.CatchingUp},
	} {
		part := status.DataPart{Name: p.name, Day: p.day, Month: p.month}
		if left, limited := s.schedule.Left(p.part); limited {
			part.Left, part.Limited = left, true
		}
		v.Parts = append(v.Parts, part)
	}
	return v
}

// energyView is what probes cost the packs, as it is shown.
func (s State) energyView() status.Energy {
	day, _ := s.schedule.Used()
	v := status.Energy{TodayWh: day.Energy.Wh, Measured: day.Energy.Measured, Unmeasured: day.Energy.Unmeasured, Stretch: s.schedule.Stretched()}
	for _, t := range s.packs {
		if wh, ok := fullWh(t, pack.Forecast{}); ok {
			v.PacksWh, v.PacksKnown = v.PacksWh+wh, true
		}
	}
	return v
}

// energySum gathers what the probes of one target cost.
type energySum struct {
	n                 int
	sum, squares, err float64
	why               string
}

func (e *energySum) add(c schedule.Cost) {
	e.why = c.Why
	if !c.Known {
		return
	}
	e.n++
	e.sum += c.Wh
	e.squares += c.Wh * c.Wh
	e.err = c.ErrorWh
}

func (e energySum) view() status.ProbeEnergy {
	v := status.ProbeEnergy{Measured: e.n, Why: e.why}
	if e.n == 0 {
		return v
	}
	n := float64(e.n)
	v.MeanWh, v.ErrorWh = e.sum/n, e.err
	if e.n > 1 {
		v.ErrorWh = math.Sqrt(max(e.squares/n-v.MeanWh*v.MeanWh, 0) / (n - 1))
	}
	return v
}
