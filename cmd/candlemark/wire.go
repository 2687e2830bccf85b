package main

import (
	"fmt"
	"hash/fnv"
	"io"
	"os"
	"strconv"
	"strings"

	"candlemark/agent"
	"candlemark/agent/alarm"
	"candlemark/agent/config"
	"candlemark/agent/hook"
	"candlemark/agent/notify"
	"candlemark/agent/pack"
	"candlemark/agent/schedule"
	"candlemark/sensors"
	"candlemark/sensors/ina219"
	"candlemark/sensors/simulated"
)

// forecastEvery spaces the live forecasts: a forecast costs a small board a
// hundred times what an update costs, and minutes left do not change in seconds.
const forecastEvery = 5e9 // 5 s

// load reads the configuration, letting the drivers look at their part of it, so
// that all faults are reported at once.
func load(path string) (*config.Config, error) {
	cfg, err := config.Load(path, checkSensors, checkFeed, checkProbes, checkData)
	if err != nil {
		return nil, configError{err} // a file that is not there is not mended by a restart either
	}
	return cfg, nil
}

// checkSensors has the driver judge each sensor's settings.
func checkSensors(c *config.Config, report func(key, what, remedy string)) {
	keys := map[string]string{
		"Bus": "sensor.bus", "Address": "sensor.address", "ShuntOhm": "sensor.shunt", "ShuntTolerance": "sensor.shunt_tolerance",
		"ShuntMaxW": "sensor.shunt_rating", "MaxExpectedA": "sensor.largest_load", "Side": "sensor.side", "FullV": "full", "Grade": "sensor.grade",
	}
	for i, p := range c.Packs {
		if p.Sensor.Kind != "ina219" || p.Full == 0 { // without a full voltage the chemistry is at fault already
			continue
		}
		for _, f := range chip(p).Validate() {
			key, ok := keys[f.Field]
			if !ok {
				key = "sensor"
			}
			remedy := f.Remedy
			if f.Field == "MaxExpectedA" && p.Sensor.LargestLoad > 0 {
				remedy += fmt.Sprintf("; if you must, clipping_accepted: %s", config.ClippingSentence)
			}
			report(fmt.Sprintf("packs[%d].%s", i, key), f.Problem, remedy)
		}
	}
}

// chip is a pack's sensor as the driver wants it.
func chip(p config.Pack) ina219.Config {
	return ina219.Config{
		Bus: string(p.Sensor.Bus), Address: uint16(p.Sensor.Address),
		ShuntOhm: float64(p.Sensor.Shunt), ShuntTolerance: float64(p.Sensor.ShuntTolerance), ShuntMaxW: float64(p.Sensor.ShuntRating),
		MaxExpectedA: float64(p.Sensor.LargestLoad), ClipAccepted: p.Sensor.ClippingAccepted == config.ClippingSentence,
		Side: ina219.Side(p.Sensor.Side), FullV: float64(p.Full), Grade: ina219.Grade(p.Sensor.Grade),
	}
}

// spec is a pack as the estimator wants it.
func spec(p config.Pack) pack.Spec {
	return pack.Spec{
		Chemistry: p.Chemistry, SeriesCells: p.SeriesCells, CapacityAh: float64(p.Capacity), FullV: float64(p.Full),
		CutoffV: float64(p.Cutoff), LockoutV: float64(p.Lockout), FarMinV: float64(p.FarEndMinimum), FeedOhm: float64(p.FeedResistance),
		CellCutoffV: float64(p.CellCutoff),
	}
}

// setup is the configuration as the step wants it.
func setup(c *config.Config, startID string) agent.Setup {
	s := agent.Setup{
		Relay: c.Relay, Site: c.Site, BootID: startID, ForecastEvery: forecastEvery,
		Schedule: schedule.Config{
			Budget: budget(c), ReserveBelow: c.Data.Reserve, Seed: seed(c.Relay),
			Quiet: schedule.Quiet{BytesPerS: float64(c.Data.QuietBelow), Wait: c.Data.QuietWait},
		},
	}
	if len(c.Board.PowerOffCommand) > 0 {
		s.PowerOffAt = c.Board.PowerOffAt
	}
	for _, p := range c.Packs {
		ps := agent.PackSetup{
			Name: p.Name, SensorName: sensorName(p), Spec: spec(p), StaleAfter: p.StaleAfter,
			Leads:      alarm.Leads{NextPack: p.Leads.BringNextPack, ShutDown: p.Leads.ShutTerminalDown},
			FeedsBoard: c.Board.FedFrom == p.Name,
		}
		if ps.FeedsBoard && !c.Board.InsideShunt {
			ps.UnmeasuredW = float64(c.Board.DrawW)
		}
		s.Packs = append(s.Packs, ps)
	}
	withProbes(&s, c)
	return s
}

// seed spreads the starts of probes differently on each relay, and the same way
// at each start of one.
func seed(relay string) uint64 {
	h := fnv.New64a()
	_, _ = io.WriteString(h, relay) // a hash takes everything
	return h.Sum64()
}

func sensorName(p config.Pack) string {
	if p.Sensor.Kind == "simulated" {
		return "simulated"
	}
	return fmt.Sprintf("ina219 %s/%s", p.Sensor.Bus, p.Sensor.Address)
}

// sources are the packs' sensors. They are opened by the sampler, so that an
// absent bus is an alarm and not a reason not to start.
func sources(c *config.Config) []agent.Source {
	var out []agent.Source
	for _, p := range c.Packs {
		src := agent.Source{Pack: p.Name, Every: p.SampleEvery, Temperature: thermometer(p.Temperature), Trouble: trouble}
		if p.Sensor.Kind == "simulated" {
			src.Open = func() (sensors.Sensor, error) {
				sim, err := simulated.New(simulatedPack(p))
				if err != nil {
					return nil, err
				}
				return sim.Sensor(), nil
			}
		} else {
			src.Open = func() (sensors.Sensor, error) { return ina219.Open(chip(p)) }
		}
		out = append(out, src)
	}
	return out
}

// trouble is what an INA219, real or simulated, has had so far.
func trouble(s sensors.Sensor) (failed, repairs uint64) {
	if d, ok := s.(interface{ Stats() ina219.Stats }); ok {
		st := d.Stats()
		return st.Errors, st.Repairs
	}
	return 0, 0
}

func simulatedPack(p config.Pack) simulated.Config {
	c := simulated.DefaultConfig()
	c.Chemistry, c.SeriesCells, c.CapacityAh = simulated.Chemistry(p.Chemistry), p.SeriesCells, float64(p.Capacity)
	c.LoadW, c.CutoffV, c.LockoutV = float64(p.Sensor.SimulatedLoad), float64(p.Cutoff), float64(p.Lockout)
	return c
}

// thermometer reads a pack's temperature from where the configuration says.
func thermometer(t *config.Temperature) func() (float64, bool) {
	switch {
	case t == nil:
		return nil
	case t.Fixed != nil:
		c := float64(*t.Fixed)
		return func() (float64, bool) { return c, true }
	}
	return func() (float64, bool) {
		b, err := os.ReadFile(t.File)
		if err != nil {
			return 0, false // the estimate then says that it does not know the temperature
		}
		milli, err := strconv.ParseFloat(strings.TrimSpace(string(b)), 64)
		c := milli / 1000
		if err != nil || c < -60 || c > 120 { // 85 °C after power-up and the like stay in; nonsense does not
			return 0, false
		}
		return c, true
	}
}

// receivers are the configured alarm receivers.
func receivers(c *config.Config) []notify.Receiver {
	var out []notify.Receiver
	for _, r := range c.Receivers {
		n := notify.Receiver{
			Name: r.Name, Kind: notify.Kind(r.Kind), Severities: r.Severities, Timeout: r.Timeout,
			QuietWhenAcknowledged: r.QuietWhenAcknowledged, HeartbeatEvery: r.HeartbeatEvery,
			URL: r.URL, BearerTokenFile: r.TokenFile, User: r.User, PasswordFile: r.PasswordFile,
			Server: r.Server, Encryption: notify.Encryption(r.Encryption), From: r.From, To: r.To,
			Command: hook.Command{Args: r.Command},
		}
		if n.Kind == notify.Alertmanager {
			n.ResendEvery = r.RepeatEvery
		} else {
			n.RepeatEvery = r.RepeatEvery
		}
		out = append(out, n)
	}
	return out
}
