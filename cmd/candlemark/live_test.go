package main

import (
	"fmt"
	"math"
	"net"
	"slices"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"
	"periph.io/x/conn/v3/i2c"

	"candlemark/agent/alarm"
	"candlemark/dashboards"
	"candlemark/deploy/promtest"
	"candlemark/sensors/simulated"
)

// The kit of the live test: small enough for the last warning to be due within
// seconds of the start.
const (
	liveCapacityAh = 0.4
	liveLoadW      = 20.0
	liveCount      = 2 // connections in a probe
)

const liveConfig = `relay: stairwell
site: east school
packs:
  - name: a
    chemistry: li-ion
    series_cells: 5
    capacity: 0.4Ah
    cutoff: 15V
    lockout: 14V
    sensor: {bus: 1, address: 0x40, shunt: 20mΩ, shunt_rating: 2W, largest_load: 3A}
    sample_every: 500ms
targets:
  - {name: near, section: hop, address: 127.0.0.1, method: tcp_connect, port: %d, every: 1s, count: 2, interval: 10ms, timeout: 200ms}
  - {name: far, section: uplink, address: 127.0.0.1, method: tcp_connect, port: %d, every: 1s, count: 2, interval: 10ms, timeout: 200ms}
receivers:
  - {name: remote, kind: alertmanager, url: "%s", repeat_every: 10s}
`

// The whole way on real programs: a pack that exists only in this test is read
// through /dev/i2c-1 by the static program, Prometheus scrapes it, its alarms
// and Prometheus' own reach Alertmanager, and each query of the dashboard gives
// what is true of the pack and the link.
func TestLiveFromBusToDashboardAndAlertmanager(t *testing.T) {
	t.Parallel()
	manager := promtest.StartAlertmanager(t)
	kit := simulated.DefaultConfig()
	kit.CapacityAh, kit.LoadW = liveCapacityAh, liveLoadW
	sim, err := simulated.New(kit)
	if err != nil {
		t.Fatal(err)
	}
	near, far := newFarEnd(t), silentPort(t)
	p := runProgram(t, fmt.Sprintf(liveConfig, near.port, far, manager.URL), map[int]i2c.Bus{1: sim.Bus()})
	prom := promtest.Start(t, promtest.Config{
		Targets:         []promtest.Target{{Address: strings.TrimPrefix(p.url, "http://"), Labels: map[string]string{"relay": "stairwell"}}},
		RulesFiles:      []string{"../../deploy/prometheus/rules.yaml"},
		AlertmanagerURL: manager.URL,
		HoldFor:         "1s",
	})

	// The agent's own alarms arrive with what to do.
	p.waitFor("the alarms of pack and link", 2*startWithin, func() bool {
		s := p.scrape()
		return s.alarm("bring_next_pack", "a") && s.alarm("shut_terminal_down", "a") && s.alarm("link_down", "")
	})
	for name, subject := range map[string]string{"shut_terminal_down": "a", "bring_next_pack": "a", "link_down": ""} {
		entry, _ := alarm.Lookup(alarm.Name(name))
		what, _ := alarm.Order(entry.Action)
		got := manager.WaitFor(t, "alertname", name)
		if got.Labels["relay"] != "stairwell" || got.Labels["severity"] != string(entry.Severity) || got.Labels["subject"] != subject ||
			!strings.HasPrefix(got.Annotations["description"], what) {
			t.Errorf("alertmanager holds %+v", got)
		}
		if ahead := time.Until(got.EndsAt); ahead < 10*time.Second {
			t.Errorf("%s ends %s from now, less than one repeat", name, ahead)
		}
	}

	prom.WaitScraped(t, 16) // the rates are over 15 s
	prom.WaitQuery(t, "sum(candlemark_alarm_active) >= 3")
	compareDashboard(t, prom, truths(sim, near))
	for _, a := range prom.Alerts(t) {
		// Others, such as that of the journal, need their hold times to mean anything.
		if name := a.Labels["alertname"]; name == "CandlemarkSilent" || name == "CandlemarkNotWatched" {
			t.Errorf("an agent that answers has the alert %v", a.Labels)
		}
	}

	// An agent that is gone cannot speak: Prometheus does.
	if err := p.signal(syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	<-p.ended
	if got := manager.WaitFor(t, "alertname", "CandlemarkSilent"); got.Labels["relay"] != "stairwell" {
		t.Errorf("alertmanager holds %+v", got)
	}
}

// farEnd accepts connections and counts them.
type farEnd struct {
	port  int
	taken atomic.Int64
}

func newFarEnd(t *testing.T) *farEnd {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	f := &farEnd{port: l.Addr().(*net.TCPAddr).Port}
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			f.taken.Add(1)
			c.Close()
		}
	}()
	return f
}

// silentPort is a loopback port that answers nothing: its queue of connections
// is full, so the kernel drops what else comes, as a dead link does.
func silentPort(t *testing.T) int {
	t.Helper()
	fd, err := unix.Socket(unix.AF_INET, unix.SOCK_STREAM|unix.SOCK_CLOEXEC, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { unix.Close(fd) })
	if err := unix.Bind(fd, &unix.SockaddrInet4{Addr: [4]byte{127, 0, 0, 1}}); err != nil {
		t.Fatal(err)
	}
	if err := unix.Listen(fd, 0); err != nil {
		t.Fatal(err)
	}
	name, err := unix.Getsockname(fd)
	if err != nil {
		t.Fatal(err)
	}
	port := name.(*unix.SockaddrInet4).Port
	for range 10 {
		c, err := net.DialTimeout("tcp", fmt.Sprintf("127.0.0.1:%d", port), 200*time.Millisecond)
		if err != nil {
			return port
		}
		t.Cleanup(func() { c.Close() })
	}
	t.Fatal("the queue of a port never fills")
	return 0
}

// A check says what is wrong with the series that a query gave, or "".
type check func([]promtest.Sample) string

// is wants one series for each name of a label, each near a value.
func is(label string, want map[string]float64, within float64) check {
	return func(got []promtest.Sample) string {
		if len(got) != len(want) {
			return fmt.Sprintf("%d series, want %d", len(got), len(want))
		}
		for _, s := range got {
			if w, ok := want[s.Labels[label]]; !ok || !(math.Abs(s.Value-w) <= within) {
				return fmt.Sprintf("%v is %g, want %g ± %g", s.Labels, s.Value, w, within)
			}
		}
		return ""
	}
}

// near wants a single series near a value.
func near(want, within float64) check { return between(want-within, want+within) }

// between wants a single series within bounds.
func between(lo, hi float64) check {
	return func(got []promtest.Sample) string {
		if len(got) != 1 || !(got[0].Value >= lo && got[0].Value <= hi) {
			return fmt.Sprintf("want one series from %g to %g", lo, hi)
		}
		return ""
	}
}

// nothing wants no series, since nothing was measured.
func nothing(got []promtest.Sample) string {
	if len(got) != 0 {
		return "want no series: nothing was measured"
	}
	return ""
}

// ifKnown allows a figure that the estimate does not claim to know.
func ifKnown(c check) check {
	return func(got []promtest.Sample) string {
		if len(got) == 0 {
			return ""
		}
		return c(got)
	}
}

// truths are what each query must give, by panel and query. They are read from
// the simulated pack at the time of the question; a scrape is a second old.
func truths(sim *simulated.Pack, end *farEnd) map[string]func() check {
	truth := func(f func(simulated.Truth) check) func() check { return func() check { return f(sim.Truth()) } }
	always := func(c check) func() check { return func() check { return c } }
	left := func(lo, hi float64) func() check { // as shares of the true remaining time
		return func() check {
			d, ok := sim.TimeToCutoff()
			if !ok {
				return func([]promtest.Sample) string { return "the simulated pack has no remaining time" }
			}
			return between(lo*d.Seconds(), hi*d.Seconds())
		}
	}
	watts := func(tr simulated.Truth) float64 { return tr.PackV * tr.PackA }
	budget := sim.SensorConfig()
	both := func(near, far float64) map[string]float64 { return map[string]float64{"near": near, "far": far} }
	const loopback = 0.2 // s, the longest that a probe waits
	onNear := func(got []promtest.Sample) string {
		if len(got) != 1 || got[0].Labels["target"] != "near" || got[0].Value < 0 || got[0].Value > loopback {
			return fmt.Sprintf("want the near target alone, 0 to %g s", loopback)
		}
		return ""
	}
	alarms := map[string]bool{"bring_next_pack": true, "shut_terminal_down": true, "link_down": true}
	return map[string]func() check{
		// A pack that was met seconds ago is judged by its label: a factor of two.
		"Time left/A":     left(0.5, 2),
		"Alarms active/A": always(between(3, 4)), // clock_not_set where the machine's clock is not
		"Which alarms/A": always(func(got []promtest.Sample) string {
			n := 0
			for _, s := range got {
				if alarms[s.Labels["alarm"]] {
					n++
				} else if s.Labels["alarm"] != "clock_not_set" {
					return "unexpected alarm " + s.Labels["alarm"]
				}
			}
			if n != len(alarms) {
				return "an alarm is missing"
			}
			return ""
		}),
		"Pack state/A":  always(is("state", map[string]float64{"discharging": 1}, 0)),
		"Relay heard/A": always(near(1, 0)),

		"Time left of pack $pack, with range/A": left(0.5, 2),
		"Time left of pack $pack, with range/B": left(0, 1.1),
		"Time left of pack $pack, with range/C": left(0.9, 10),
		"Time left of pack $pack, with range/D": left(0, 1),
		"Time left of pack $pack, with range/E": always(near(2700, 0)),
		"Time left of pack $pack, with range/F": always(near(900, 0)),
		"Charge left/A":                         truth(func(tr simulated.Truth) check { return ifKnown(near(tr.ChargeRatio, 0.15)) }),
		"Voltage/A":                             truth(func(tr simulated.Truth) check { return near(tr.PackV, 0.03) }),
		"Voltage/B":                             always(near(15, 0.01)),
		"Current/A":                             truth(func(tr simulated.Truth) check { return near(tr.PackA, 0.01) }),
		"Power/A":                               truth(func(tr simulated.Truth) check { return near(watts(tr), 0.25) }),
		// The counter moves every half second, and a scrape on a busy machine comes up to
		// half a second late: a second in the fourteen between the first and the last stamp.
		"Power/B": truth(func(tr simulated.Truth) check { return near(watts(tr), watts(tr)/14+0.25) }),
		"Power/C": truth(func(tr simulated.Truth) check { return near(watts(tr), 1) }),
		// The agent begins after the pack, and on a busy machine that takes a while.
		"Energy drawn/A": truth(func(tr simulated.Truth) check {
			return between(watts(tr)*(tr.Elapsed-40*time.Second).Hours(), watts(tr)*(tr.Elapsed+2*time.Second).Hours())
		}),
		"Capacity/A": always(ifKnown(between(liveCapacityAh/2, liveCapacityAh*2))),
		"Capacity/B": always(near(liveCapacityAh, 1e-9)),

		"Answers/A":                    always(is("target", both(1, 0), 0)),
		"Round trip, near hop/A":       always(onNear),
		"Round trip, near hop/B":       always(onNear),
		"Round trip, near hop/C":       always(onNear),
		"Round trip, uplink/A":         always(nothing),
		"Round trip, uplink/B":         always(nothing),
		"Round trip, uplink/C":         always(nothing),
		"Packets lost/A":               always(is("target", both(0, 1), 0)),
		"Packets lost/B":               always(is("target", both(0, 1), 0)),
		"Jitter and delay variation/A": always(onNear),
		"Jitter and delay variation/B": always(onNear),
		"Jitter and delay variation/C": always(onNear),
		"Throughput/A":                 always(nothing),
		"Throughput/B":                 always(nothing),
		// Nothing outside answers, so the link is good enough for nothing.
		"Good enough for/A": always(func(got []promtest.Sample) string {
			for _, s := range got {
				if s.Labels["verdict"] != "not_good_enough" || s.Value != 1 {
					return fmt.Sprintf("%v, want not_good_enough", s.Labels)
				}
			}
			if len(got) != 4 {
				return "want the four uses"
			}
			return ""
		}),
		"Named services/A":                   always(nothing),
		"Lost in each direction/A":           always(nothing),
		"Round trip, 95 % of the interval/A": always(onNear),
		"Round trip under load/A":            always(nothing),
		"Round trip under load/B":            always(nothing),
		"Responsiveness/A":                   always(nothing),

		"Data used today/A": always(between(0, 100e3)), // bursts of packets
		"Data used today/B": always(near(500e6, 0)),
		// Losing every packet is a measurement.
		"Probes that could not measure/A": always(is("target", both(0, 0), 0)),
		"Probes that could not measure/B": func() check {
			done := float64(end.taken.Load()) / liveCount
			return func(got []promtest.Sample) string {
				got = slices.DeleteFunc(slices.Clone(got), func(s promtest.Sample) bool { return s.Labels["target"] != "near" })
				return near(done, 3)(got)
			}
		},
		"Probes that could not measure/C": always(is("target", both(0, 0), 0)),

		"Age of the pack's reading/A":       always(between(-0.1, 3)),
		"Age of the link's results/A":       always(is("target", both(5, 5), 5)),
		"Board's clock ahead/A":             always(between(-1.5, 0.1)), // the last step is a second old at most
		"Sensor/A":                          always(near(1, 0)),
		"Sensor errors and repairs/A":       always(near(0, 0)),
		"Sensor errors and repairs/B":       always(near(0, 0)),
		"Error bounds/A":                    truth(func(tr simulated.Truth) check { return near(budget.Budget(tr.PackV, tr.PackA).V, 0.002) }),
		"Error bounds/B":                    truth(func(tr simulated.Truth) check { return near(budget.Budget(tr.PackV, tr.PackA).A, 0.001) }),
		"Error bounds/C":                    truth(func(tr simulated.Truth) check { return near(budget.Budget(tr.PackV, tr.PackA).W, 0.05) }),
		"Delivery of alarms, and journal/A": always(near(0, 0)),
		"Delivery of alarms, and journal/B": always(near(0, 0)),
		"Delivery of alarms, and journal/C": always(between(0, 1)),
		"Delivery of alarms, and journal/D": always(between(0, 50)),
	}
}

// compareDashboard asks every query of the dashboard.
func compareDashboard(t *testing.T, prom *promtest.Server, truths map[string]func() check) {
	t.Helper()
	asked := map[string]bool{}
	for _, s := range dashboards.Relay().Sections {
		for _, panel := range s.Panels {
			for _, q := range panel.Queries {
				key := panel.Title + "/" + q.Ref
				asked[key] = true
				now, ok := truths[key]
				if !ok {
					t.Errorf("%s: no truth is written down for it", key)
					continue
				}
				expr := dashboards.Expand(q.Expr, map[string]string{"relay": "stairwell", "pack": "a", "__rate_interval": "15s"})
				got := prom.Query(t, expr)
				if fault := now()(got); fault != "" {
					t.Errorf("%s: %s: %s, got %v", key, expr, fault, got)
				}
			}
		}
	}
	for key := range truths {
		if !asked[key] {
			t.Errorf("%s: a truth without a query", key)
		}
	}
}
