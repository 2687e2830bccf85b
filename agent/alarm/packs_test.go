package alarm

import (
	"testing"
	"time"

	"candlemark/agent/pack"
)

func TestPackAlarms(t *testing.T) {
	const shut, bring, cutoff = " shut_terminal_down A", " bring_next_pack A", " pack_at_cutoff A"
	resting := pack.Forecast{State: pack.Resting}
	unknown := pack.Forecast{State: pack.Unknown, Why: "the readings contradict each other"}
	low := func(r *rig) {
		r.pack().Forecast = discharging(14 * time.Minute)
		r.read(11 * time.Second)
	}
	cases := []struct {
		name string
		do   func(r *rig)
		want []string
	}{
		{"a full pack raises nothing", func(r *rig) { r.read(5 * time.Minute) }, nil},
		{"within the first lead, one alarm", func(r *rig) {
			r.pack().Forecast = discharging(45 * time.Minute)
			r.read(11 * time.Second)
		}, []string{"raised" + bring}},
		{"within both leads, the urgent one first", low, []string{"raised" + shut, "raised" + bring}},
		{"a blip of nine seconds raises nothing", func(r *rig) {
			r.pack().Forecast = discharging(time.Minute)
			r.read(9 * time.Second)
			r.pack().Forecast = discharging(90 * time.Minute)
			r.read(time.Minute)
		}, nil},
		{"one low reading and then silence raise no lead alarm", func(r *rig) {
			r.pack().Forecast = discharging(time.Minute)
			r.read(time.Second)
			r.silent(29 * time.Second)
		}, nil},
		{"silence lets the time left run on by the clock, after which it warns", func(r *rig) {
			r.pack().Forecast = discharging(50 * time.Minute)
			r.read(11 * time.Second)
			r.silent(5*time.Minute + 11*time.Second)
			r.expectActive(SensorStale)
			r.expectActive(BringNextPack)
			r.silent(30 * time.Minute)
		}, []string{"raised sensor_stale A", "raised" + bring, "raised" + shut}},
		{"silence of a pack that charged says nothing of its time left", func(r *rig) {
			r.pack().Forecast = pack.Forecast{State: pack.Charging}
			r.read(11 * time.Second)
			r.silent(3 * time.Hour)
		}, []string{"raised sensor_stale A"}},
		{"an unknown forecast alone raises nothing", func(r *rig) {
			r.pack().Forecast = unknown
			r.read(time.Hour)
		}, nil},
		{"a known 0 in an unknown forecast means nothing", func(r *rig) {
			r.pack().Forecast = pack.Forecast{State: pack.Discharging}
			r.read(time.Hour)
		}, nil},
		{"a forecast that is known off and on still warns", func(r *rig) {
			for range 6 {
				r.pack().Forecast = discharging(14 * time.Minute)
				r.read(time.Second)
				r.pack().Forecast = unknown
				r.read(time.Second)
			}
		}, []string{"raised" + shut, "raised" + bring}},
		{"two blips with an unknown hour between do not add up", func(r *rig) {
			for range 2 {
				r.pack().Forecast = discharging(14 * time.Minute)
				r.read(time.Second)
				r.pack().Forecast = unknown
				r.read(time.Hour)
			}
		}, nil},
		{"latched while resting, however long", func(r *rig) {
			low(r)
			r.pack().Forecast = resting
			r.read(3 * time.Hour)
		}, []string{"raised" + shut, "raised" + bring}},
		{"latched while unknown", func(r *rig) {
			low(r)
			r.pack().Forecast = unknown
			r.read(3 * time.Hour)
		}, []string{"raised" + shut, "raised" + bring}},
		{"latched when the terminal is off and only the relay draws", func(r *rig) {
			low(r)
			f := discharging(3 * time.Hour)
			f.LoadW = 9
			r.pack().Forecast = f
			r.read(time.Hour)
		}, []string{"raised" + shut, "raised" + bring}},
		{"not cleared between the lead and 1.5 leads", func(r *rig) {
			low(r)
			r.pack().Forecast = discharging(22*time.Minute + 30*time.Second)
			r.read(time.Hour)
		}, []string{"raised" + shut, "raised" + bring}},
		{"cleared above 1.5 leads after two minutes, each by its own lead", func(r *rig) {
			low(r)
			r.pack().Forecast = discharging(23 * time.Minute)
			r.read(2*time.Minute + time.Second)
		}, []string{"raised" + shut, "raised" + bring, "cleared" + shut}},
		{"a recovery that breaks off is no recovery", func(r *rig) {
			low(r)
			for range 5 {
				r.pack().Forecast = discharging(90 * time.Minute)
				r.read(time.Minute)
				r.pack().Forecast = resting
				r.read(time.Second)
			}
		}, []string{"raised" + shut, "raised" + bring}},
		{"a stale forecast clears nothing", func(r *rig) {
			low(r)
			r.pack().Forecast = discharging(90 * time.Minute)
			r.read(5 * time.Second)
			r.silent(time.Hour)
		}, []string{"raised" + shut, "raised" + bring, "raised sensor_stale A"}},
		{"a swap clears at once, and the old figure does not raise again", func(r *rig) {
			low(r)
			r.pack().Swaps++
			r.read(time.Second)
			r.pack().Forecast = discharging(90 * time.Minute)
			r.read(time.Minute)
		}, []string{"raised" + shut, "raised" + bring, "cleared" + shut, "cleared" + bring}},
		{"mains clears at once", func(r *rig) {
			low(r)
			r.pack().Forecast = pack.Forecast{State: pack.Charging}
			r.read(time.Second)
		}, []string{"raised" + shut, "raised" + bring, "cleared" + shut, "cleared" + bring}},
		{"at the cut-off", func(r *rig) {
			low(r)
			r.pack().Forecast = discharging(0)
			r.read(11 * time.Second)
		}, []string{"raised" + shut, "raised" + bring, "raised" + cutoff}},
		{"the cut-off is latched against the voltage coming back", func(r *rig) {
			r.pack().Forecast = discharging(0)
			r.read(11 * time.Second)
			r.pack().Forecast = resting
			r.read(time.Hour)
		}, []string{"raised" + cutoff, "raised" + shut, "raised" + bring}},
		{"a pack that vanishes after the warning is at its cut-off", func(r *rig) {
			low(r)
			r.pack().Forecast = pack.Forecast{State: pack.Absent}
			r.read(2*time.Minute + 2*time.Second)
		}, []string{"raised" + shut, "raised" + bring, "raised" + cutoff}},
		{"a swap within two minutes raises no cut-off", func(r *rig) {
			low(r)
			r.pack().Forecast = pack.Forecast{State: pack.Absent}
			r.read(110 * time.Second)
			r.pack().Forecast = discharging(90 * time.Minute)
			r.pack().Swaps++
			r.read(5 * time.Minute)
		}, []string{"raised" + shut, "raised" + bring, "cleared" + shut, "cleared" + bring}},
		{"an empty holder is nobody's alarm", func(r *rig) {
			r.pack().Forecast = pack.Forecast{State: pack.Absent}
			r.read(3 * time.Hour)
		}, nil},
		{"a lead of zero switches its alarm off", func(r *rig) {
			r.pack().Leads = Leads{}
			r.pack().Forecast = discharging(0)
			r.read(time.Minute)
		}, []string{"raised" + cutoff}},
		{"a swap count that starts anew is no swap", func(r *rig) {
			r.pack().Swaps = 7
			low(r)
			r.pack().Swaps = 0
			r.read(time.Minute)
		}, []string{"raised" + shut, "raised" + bring}},
		{"a pack that leaves the configuration takes its alarms along", func(r *rig) {
			low(r)
			r.in.Packs = []PackInput{{Name: "B"}}
			r.read(time.Second)
		}, []string{"raised" + shut, "raised" + bring, "cleared" + shut, "cleared" + bring}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			r := newRig()
			r.read(time.Minute)
			r.expect(t)
			c.do(r)
			r.expect(t, c.want...)
		})
	}
}

func TestSensorAlarms(t *testing.T) {
	cases := []struct {
		name string
		do   func(r *rig)
		want []string
	}{
		{"never read since the start", func(r *rig) { r.silent(31 * time.Second) }, []string{"raised sensor_stale A"}},
		{"not yet read is not stale", func(r *rig) { r.silent(30 * time.Second) }, nil},
		{"stale after its time and back after ten seconds of readings", func(r *rig) {
			r.read(time.Minute)
			r.silent(30 * time.Second)
			r.read(9 * time.Second)
			r.expectActive(SensorStale)
			r.read(2 * time.Second)
		}, []string{"raised sensor_stale A", "cleared sensor_stale A"}},
		{"one lucky reading does not clear it", func(r *rig) {
			r.silent(31 * time.Second)
			for range 10 {
				r.read(time.Second)
				r.silent(30 * time.Second)
			}
		}, []string{"raised sensor_stale A"}},
		{"clipped for ten seconds", func(r *rig) {
			r.pack().Clipped = true
			r.read(11 * time.Second)
			r.pack().Clipped = false
			r.read(61 * time.Second)
		}, []string{"raised current_clipped A", "cleared current_clipped A"}},
		{"a surge that clips for a moment", func(r *rig) {
			r.pack().Clipped = true
			r.read(5 * time.Second)
			r.pack().Clipped = false
			r.read(time.Minute)
		}, nil},
		{"clipped and then silent says nothing new about clipping", func(r *rig) {
			r.pack().Clipped = true
			r.read(time.Second)
			r.silent(29 * time.Second)
		}, nil},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			r := newRig()
			r.pack().Seen = false
			c.do(r)
			r.expect(t, c.want...)
		})
	}
}
