package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"github.com/rs/zerolog"
	"github.com/spf13/cobra"

	"candlemark/agent"
	"candlemark/agent/alarm"
	"candlemark/agent/control"
	"candlemark/agent/feed"
	"candlemark/agent/httpd"
	"candlemark/agent/journal"
	"candlemark/agent/metrics"
	"candlemark/agent/pack"
	"candlemark/agent/schedule"
	"candlemark/agent/status"
	"candlemark/agent/surveyor"
	"candlemark/probes"
	"candlemark/probes/quality"
	simlink "candlemark/probes/simulated"
	"candlemark/probes/survey"
	"candlemark/sensors"
	"candlemark/sensors/simulated"
)

// The demonstration's own scenario, invented: a relay in the annex of a mill that
// serves as a shelter, fed by one 5-series pack of 5 Ah that also feeds the terminal.
const (
	demoSpeed  = 120.0 // simulated seconds in a real one: a full pack lasts about 50 s
	demoSample = 12 * time.Second
	demoPack   = "terminal"
	// demoTransferBytes bounds one throughput probe.
	demoTransferBytes = 20e6
	demoToken         = "tarnbeck-mill-demo" // guards a page on loopback that commands nothing real
	// demoNextPack is shorter than usual: the next pack is in the same building, and a
	// pack of less than two hours would call for it at once.
	demoNextPack = 40 * time.Minute
	// demoTerminalW is what the terminal takes of the load; the relay takes the rest.
	demoTerminalW = 37.0
)

func newDemo() *cobra.Command {
	var listen string
	var once bool
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "See a simulated pack go from full to flat in a minute",
		Long: `demo runs the whole agent on a simulated pack and a simulated link, sped up, with
metrics and the status page on loopback. It needs no hardware, no network and no
root, and leaves nothing behind. Ctrl-C ends it.`,
		Example: "  candlemark demo\n  candlemark demo --once --listen 127.0.0.1:0",
		Args:    noArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return demo(cmd.Context(), cmd.OutOrStdout(), listen, once)
		},
	}
	cmd.Flags().StringVar(&listen, "listen", "127.0.0.1:27219", "loopback `ADDRESS:PORT` of the page; another port is taken when it is in use")
	cmd.Flags().BoolVar(&once, "once", false, "end after the pack has reached its cut-off")
	return cmd
}

func demo(ctx context.Context, out io.Writer, listen string, once bool) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	dir, err := os.MkdirTemp("", "candlemark-demo-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)

	kit := demoKit()
	sim, err := simulated.New(kit)
	if err != nil {
		return err
	}
	jnl, err := journal.Open(filepath.Join(dir, "journal.db"), journal.Options{})
	if err != nil {
		return err
	}
	defer jnl.Close()

	say := &narrator{out: out}
	parts, err := demoParts(sim)
	if err != nil {
		return err
	}
	parts.Keeper, parts.Receivers = jnl, say
	parts.Background = []agent.Task{{Name: "journal", Run: jnl.Run}}
	tokenFile := filepath.Join(dir, "token")
	if err := os.WriteFile(tokenFile, []byte(demoToken), 0o600); err != nil {
		return err
	}
	var a *agent.Agent
	var web *httpd.Server
	surveys := surveyor.New(surveyor.Parts{
		Store: surveyor.NewStore(jnl, nil), Set: demoSurvey(parts.Probers),
		Claim: func(ctx context.Context, bytes int64) (func(int64), error) { return a.Claim(ctx, bytes) },
	})
	parts.Measuring = []agent.Task{{Name: "surveys", Run: surveys.Run}}
	view := func() status.Snapshot {
		s := a.Snapshot()
		s.ClockSource = "the demonstration, which keeps its own time"
		s.Journal, s.Pages, s.Survey = jnl.Status(), web.Pages(), surveys.Status()
		return s
	}
	oper := &operator{surveys: surveys, agent: func() *agent.Agent { return a }, view: view, journal: jnl}
	web = httpd.New(httpd.Config{Listen: freeOr(listen), Actions: &httpd.Actions{TokenFile: tokenFile, Handler: oper}, Surveys: surveys.Records}, metrics.New(view, build()).Handler(), view)
	socketPath := filepath.Join(dir, "control.sock")
	socket := control.New(socketPath, oper)
	parts.Servers = []agent.Task{{Name: "http", Run: web.Run}, {Name: "control socket", Run: socket.Run}}
	if a, err = agent.New(parts); err != nil {
		return err
	}
	done := make(chan error, 1)
	go func() { done <- a.Run(ctx) }()
	select {
	case <-web.Ready():
	case err := <-done:
		return err
	}
	fmt.Fprintf(out, `candlemark demo: a simulated pack and link, %.0f times faster than life.
All figures are invented. Nothing here touches hardware or a network beyond this computer.

  status page  http://%s/
  its buttons  want the token %[6]s
  metrics      http://%[2]s/metrics
  ask it       %s status --socket %s
  swap packs   %[3]s swap --pack %[5]s --socket %[4]s

Ctrl-C ends it. Times are simulated, from the start.
`, demoSpeed, web.Addr(), invocation(), socketPath, demoPack, demoToken)
	go say.tell(ctx, a, sim, once, cancel)
	err = <-done
	say.println("demo ended")
	return err
}

// demoKit is the demonstration's pack. Its converter never locks out: at this
// speed the load would be gone within a sample or two of the cut-off, and a busy
// computer would miss the end of the story.
func demoKit() simulated.Config {
	kit := simulated.DefaultConfig()
	kit.Speed, kit.LockoutV = demoSpeed, 0
	return kit
}

// demoSwitch is the terminal's feed: switched off, it takes the terminal's load away.
type demoSwitch struct{ sim *simulated.Pack }

func (d demoSwitch) Want(on bool) {
	loadW := demoKit().LoadW
	if !on {
		loadW -= demoTerminalW
	}
	d.sim.SetLoadW(loadW)
}

// Hook is never asked for: the demonstration has none.
func (demoSwitch) Hook(string, feed.Cause) {}

// demoUplink carries nothing while the terminal has no power.
type demoUplink struct {
	probes.Prober
	link *simlink.Link
	as   simlink.Conditions
	sim  *simulated.Pack
}

func (u demoUplink) Probe(ctx context.Context) probes.Result {
	now := u.as
	now.Cut = u.sim.Truth().LoadW < demoTerminalW
	if err := u.link.Set(now); err != nil {
		return probes.Result{Start: time.Now(), Err: err}
	}
	return u.Prober.Probe(ctx)
}

// invocation is how the reader most likely started this program.
func invocation() string {
	if strings.Contains(os.Args[0], "go-build") { // a program that "go run" built
		return "go run ./cmd/candlemark"
	}
	return filepath.Base(os.Args[0])
}

// demoParts is the demonstration's agent without what keeps and tells.
func demoParts(sim *simulated.Pack) (agent.Parts, error) {
	kit := demoKit()
	near, err := simlink.NewLink(1, simlink.Conditions{RTT: 2 * time.Millisecond, Jitter: time.Millisecond, DownBitS: 200e6, UpBitS: 200e6})
	if err != nil {
		return agent.Parts{}, err
	}
	sky := simlink.Conditions{RTT: 38 * time.Millisecond, Jitter: 6 * time.Millisecond, LossRatio: 0.001, DownBitS: 90e6, UpBitS: 12e6, Busy: 30 * time.Millisecond}
	far, err := simlink.NewLink(2, sky)
	if err != nil {
		return agent.Parts{}, err
	}
	uplink := func(p probes.Prober) probes.Prober { return demoUplink{p, far, sky, sim} }
	set := agent.Setup{
		Relay: "mill-annex", Site: "Tarnbeck mill, shelter (a demonstration, all invented)", BootID: "demo", ForecastEvery: time.Minute, Needs: quality.DefaultNeeds(),
		Feed: &agent.FeedSetup{Pack: demoPack, Start: feed.Start{BootID: "demo"}, Setup: feed.Setup{
			Switched: true, TerminalW: demoTerminalW, StartUp: 2 * time.Minute, LongestOff: 12 * time.Hour,
		}},
		Packs: []agent.PackSetup{{
			Name: demoPack, SensorName: "simulated ina219 i2c-1/0x40", StaleAfter: 5 * time.Minute,
			Spec: pack.Spec{Chemistry: pack.Chemistry(kit.Chemistry), SeriesCells: kit.SeriesCells, CapacityAh: kit.CapacityAh,
				CutoffV: kit.CutoffV, LockoutV: kit.LockoutV},
			Leads: alarm.Leads{NextPack: demoNextPack, ShutDown: defaultShutDown},
		}},
		Targets: []agent.TargetSetup{
			{Name: "relay", Section: probes.Hop, Kind: probes.Latency},
			{Name: "far end", Section: probes.Uplink, Kind: probes.Latency},
			{Name: "wide area", Section: probes.Uplink, Kind: probes.Throughput},
		},
		Schedule: schedule.Config{Budget: schedule.Budget{PerDay: 500e6, PerMonth: 10e9}, ReserveBelow: 20 * time.Minute, Seed: 1, Items: []schedule.Item{
			{Name: "relay", Kind: probes.Latency, Every: 30 * time.Second},
			{Name: "far end", Kind: probes.Latency, Every: 30 * time.Second},
			{Name: "wide area", Kind: probes.Throughput, Every: 20 * time.Minute, MaxBytes: demoTransferBytes},
		}},
	}
	prs := map[string]probes.Prober{
		"relay":     near.Latency("relay", probes.Hop),
		"far end":   uplink(far.Latency("far end", probes.Uplink)),
		"wide area": uplink(far.Throughput("wide area", probes.Uplink, demoTransferBytes)),
	}
	return agent.Parts{
		Setup:   set,
		Sources: []agent.Source{{Pack: demoPack, Every: demoSample, Trouble: trouble, Open: func() (sensors.Sensor, error) { return sim.Sensor(), nil }}},
		Probers: prs, Actuator: demoSwitch{sim}, Log: zerolog.Nop(), Speed: demoSpeed,
		ClockSet: func() bool { return true }, PowerOff: func(string) {},
	}, nil
}

// demoSurvey is what a round of a survey measures in the demonstration.
func demoSurvey(prs map[string]probes.Prober) survey.Set {
	return survey.Set{
		Latency: []survey.Measure{
			{Prober: prs["relay"], Section: probes.Hop, Words: "latency of the hop"},
			{Prober: prs["far end"], Section: probes.Uplink, Words: "latency of the uplink"},
		},
		Load: []survey.Measure{{Prober: prs["wide area"], Section: probes.Uplink, MaxBytes: demoTransferBytes, Words: "throughput of the uplink"}},
	}
}

// freeOr is the address, or one with a free port where its port is taken.
func freeOr(listen string) string {
	l, err := net.Listen("tcp", listen)
	if err == nil {
		l.Close()
		return listen
	}
	host, _, splitErr := net.SplitHostPort(listen)
	if splitErr != nil {
		return listen // Run says what is wrong with it
	}
	return net.JoinHostPort(host, "0")
}

// narrator tells the demonstration's story on the terminal.
type narrator struct {
	mu  sync.Mutex
	out io.Writer
}

func (n *narrator) println(line string) {
	n.mu.Lock()
	defer n.mu.Unlock()
	fmt.Fprintln(n.out, line)
}

// Publish prints alarms in words, as a receiver would get them.
func (n *narrator) Publish(changes []alarm.Change, _ []alarm.Active) {
	for _, c := range changes {
		if c.Raised {
			n.println(fmt.Sprintf("%s  >> %s: %s\n            %s: %s", clock(c.At.Up), strings.ToUpper(string(c.Alarm.Severity)), c.Alarm.Action, c.Alarm.Name, c.Because))
		} else {
			n.println(fmt.Sprintf("%s  << %s cleared: %s", clock(c.At.Up), c.Alarm.Name, c.Because))
		}
	}
}

// tell prints a line every few seconds and, some time after the cut-off, plays
// the operator who puts the next pack in.
func (n *narrator) tell(ctx context.Context, a *agent.Agent, sim *simulated.Pack, once bool, end func()) {
	line := time.NewTicker(4 * time.Second)
	defer line.Stop()
	look := time.NewTicker(250 * time.Millisecond)
	defer look.Stop()
	var flatSince time.Time
	swapped := false
	for {
		select {
		case <-ctx.Done():
			return
		case <-line.C:
			s := a.Snapshot()
			n.println(clock(s.Taken.Up) + "  " + packLine(s.Packs[0], s.Taken.Up))
		case <-look.C:
			s := a.Snapshot()
			flat := false
			for _, al := range s.Alarms {
				flat = flat || al.Name == alarm.PackAtCutoff
			}
			switch {
			case !flat:
				flatSince, swapped = time.Time{}, false
			case swapped: // the alarm is about to clear
			case flatSince.IsZero():
				flatSince = time.Now()
				n.println(clock(s.Taken.Up) + "  the pack is flat. In a real kit the link is now gone.")
			case once:
				end()
				return
			case time.Since(flatSince) > 6*time.Second:
				swapped = true
				sim.Swap()
				n.println(clock(s.Taken.Up) + "  an operator puts a charged pack in and runs: candlemark swap --pack " + demoPack)
				if err := a.Swap(ctx, demoPack, "", true, "demo"); err != nil && !errors.Is(err, context.Canceled) {
					n.println("swap: " + err.Error())
				}
			}
		}
	}
}
