package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"runtime/debug"
	"time"

	"github.com/coreos/go-systemd/v22/daemon"
	"github.com/rs/zerolog"
	"github.com/spf13/cobra"
	"golang.org/x/sys/unix"

	"candlemark/agent"
	"candlemark/agent/alarm"
	"candlemark/agent/clock/board"
	"candlemark/agent/config"
	"candlemark/agent/control"
	"candlemark/agent/feed"
	"candlemark/agent/feed/contact"
	"candlemark/agent/forward"
	"candlemark/agent/httpd"
	"candlemark/agent/journal"
	"candlemark/agent/metrics"
	"candlemark/agent/schedule"
	"candlemark/agent/status"
	"candlemark/agent/surveyor"
	"candlemark/agent/traffic"
)

func newRun() *cobra.Command {
	var path string
	cmd := &cobra.Command{
		Use:   "run --config FILE",
		Short: "Watch the packs and the link until stopped",
		Long: `run reads the packs, probes the link, serves metrics and the status page, and
raises alarms until it is told to stop. An absent sensor or an unreachable
target is an alarm, not a reason to stop.`,
		Example: "  candlemark run --config /etc/candlemark/candlemark.yaml",
		Args:    noArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			cfg, err := load(path)
			if err != nil {
				return err
			}
			frugal()
			return runAgent(cmd.Context(), cfg, cmd.ErrOrStderr())
		},
	}
	cmd.Flags().StringVar(&path, "config", "", "configuration `FILE`")
	_ = cmd.MarkFlagRequired("config")
	return cmd
}

// frugal halves the garbage that may gather before it is collected, unless the
// environment sets GOGC: it saves a small board a fifth of the agent's memory for
// next to no time, since the agent makes little (deploy/footprint measures both).
func frugal() {
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(50)
	}
}

// runAgent builds the agent from its configuration and runs it.
func runAgent(ctx context.Context, cfg *config.Config, stderr io.Writer) error {
	log := newLog(cfg.LogLevel, cfg.LogFormat, stderr)
	prs, err := probers(cfg)
	if err != nil {
		return err
	}
	if err := checkWeb(cfg); err != nil {
		return err
	}
	boot, err := journal.BootID()
	if err != nil {
		return err
	}
	jnl, err := journal.Open(cfg.Journal, journal.Options{Boot: boot})
	var damaged *journal.DamagedError
	if errors.As(err, &damaged) {
		log.Error().Err(err).Msg("the journal was damaged; a fresh one was begun")
	} else if errors.Is(err, journal.ErrLocked) {
		return fmt.Errorf("%w; another agent runs on this board: stop it first, or give this one another journal", err)
	}
	broken := ""
	if jnl == nil {
		// A card that went read-only must not keep the operator from being warned.
		broken = fmt.Sprintf("%v; what happens now is kept in memory only", err)
		log.Error().Err(err).Msg("the journal cannot be used; going on without a lasting record")
		spare := filepath.Join(filepath.Dir(cfg.ControlSocket), "journal.db")
		if jnl, err = journal.Open(spare, journal.Options{Boot: boot}); err != nil && jnl == nil {
			return fmt.Errorf("%s; nor can %s: %w", broken, spare, err)
		}
	}
	defer jnl.Close()

	keep := newClock(boot, cfg.Clock.Chip, jnl, log)
	now := rightTime(keep, boot)
	start := startID(boot)
	tell, err := newNotifier(cfg, start, jnl, keep.Known, now, log)
	if err != nil {
		return err
	}
	near, err := newLocal(cfg, keep.Known, func() time.Time { return now(time.Now()) })
	if err != nil {
		return err
	}
	var a *agent.Agent
	set, bootUp := setup(cfg, start), board.Uptime()
	set.Feed = feedSetup(cfg, feed.Start{BootID: boot, BootUp: bootUp})
	mem := remember(jnl, set, log)
	parts := agent.Parts{
		Setup: set, Memory: mem, Sources: sources(cfg), Probers: prs, Keeper: jnl, Receivers: append(everybody{tell}, near.tell...),
		Background: append([]agent.Task{{Name: "alarm delivery", Run: tell.Run}, {Name: "journal", Run: jnl.Run}}, near.tasks...),
		Log:        log, ClockSet: keep.Known, Right: now, PowerOff: powerOff(cfg.Board.PowerOffCommand, log),
		Speed: 1, BootUp: bootUp, Data: &agent.DataMeter{}, LinkBytes: traffic.New(cfg.Data.Interface).Bytes,
	}
	if cfg.Feed != nil {
		actuator, lines, err := newActuator(cfg.Feed, contact.Tell{
			HookEnded: func(name, fault string) { a.FeedHookEnded(name, fault) },
			Switched:  func(fault string) { a.FeedSwitched(fault) },
		}, jnl.FlushWithin)
		if err != nil {
			return err
		}
		defer lines.Close()
		parts.Actuator = actuator
		parts.Background = append(parts.Background, agent.Task{Name: "feed", Run: actuator.Run})
		near.state = append(near.state, func() []status.Receiver { return []status.Receiver{actuator.Status()} })
	}
	var fwd *forward.Forwarder
	var web *httpd.Server
	var surveys *surveyor.Surveyor
	view := func() status.Snapshot {
		s := a.Snapshot()
		s.ClockSource = string(keep.Source())
		if fwd != nil {
			f := fwd.Status()
			s.Forward = &f
		}
		s.Receivers, s.Journal = append(tell.Status(), near.status()...), jnl.Status()
		s.Pages, s.Survey = web.Pages(), surveys.Status()
		if broken != "" {
			s.Journal.LastError = broken
		}
		return s
	}
	met := metrics.New(view, build())
	if fwd, err = newForwarder(cfg, met.Gatherer(), jnl, keep, boot, parts.Data); err != nil {
		return err
	}
	if fwd != nil {
		parts.Background = append(parts.Background, agent.Task{Name: "forwarding", Run: fwd.Run})
	}
	if cfg.Actions != nil {
		if err := webActions(cfg.Actions, nil).Check(); err != nil {
			log.Error().Err(err).Msg("no command will be taken over HTTP until this is mended")
		}
	}
	surveys = newSurveyor(cfg, prs, jnl, log, func() *agent.Agent { return a })
	parts.Measuring = []agent.Task{{Name: "surveys", Run: surveys.Run}}
	oper := &operator{surveys: surveys, agent: func() *agent.Agent { return a }, view: view, journal: jnl, clock: keep, tell: tell, near: near, broken: broken}
	web = httpd.New(httpd.Config{Listen: cfg.Listen, WebConfigFile: cfg.WebConfig, Actions: webActions(cfg.Actions, oper), Surveys: surveys.Records,
		Log: slog.New(zerolog.NewSlogHandler(log.Level(max(log.GetLevel(), zerolog.WarnLevel))))},
		met.Handler(), view)
	socket := control.New(cfg.ControlSocket, oper)
	parts.Servers = []agent.Task{{Name: "http", Run: web.Run}, {Name: "control socket", Run: socket.Run}}
	parts.Alive = watchdog(log)
	if a, err = agent.New(parts); err != nil {
		return err
	}
	log.Info().Str("relay", cfg.Relay).Str("listen", cfg.Listen).Int("packs", len(cfg.Packs)).Int("targets", len(prs)).Str("version", build().Version).Msg("candlemark starts")
	jnl.Append(journal.Record{Wall: now(time.Now()), Up: board.Uptime(), Kind: journal.KindAgent, Text: "started"})
	noteConfig(cfg, jnl, now, log)
	go announceReady(ctx, web, log)
	context.AfterFunc(ctx, func() { _, _ = daemon.SdNotify(false, daemon.SdNotifyStopping) })
	err = a.Run(ctx)
	jnl.Append(journal.Record{Wall: now(time.Now()), Up: board.Uptime(), Kind: journal.KindAgent, Text: "stopped in order"})
	log.Info().Msg("candlemark ends")
	return err
}

// newLog writes the log where systemd's journal or a terminal takes it.
func newLog(level, form string, w io.Writer) zerolog.Logger {
	if form == "text" {
		w = zerolog.ConsoleWriter{Out: w, TimeFormat: time.RFC3339, NoColor: !isTerminal(w)}
	}
	lvl, err := zerolog.ParseLevel(level)
	if err != nil {
		lvl = zerolog.InfoLevel // the configuration admits only levels that parse
	}
	return zerolog.New(w).Level(lvl).With().Timestamp().Logger()
}

// startID tells this start from every other, so that an alarm raised now never
// gets the id of one raised before.
func startID(boot string) string {
	return fmt.Sprintf("%.8s-%x", boot, time.Now().UnixNano()/1e6&0xffffffff)
}

// remember reads what earlier runs left in the journal. What cannot be read is
// said and taken as absent: a fault of the record must not keep the agent down.
func remember(jnl *journal.Journal, set agent.Setup, log zerolog.Logger) agent.Memory {
	mem := agent.Memory{Packs: map[string]agent.PackState{}, Known: map[string]agent.KnownPack{}}
	read := func(ok bool, err error) bool {
		if err != nil {
			log.Error().Err(err).Msg("not carried on from the journal")
		}
		return ok && err == nil
	}
	for _, p := range set.Packs {
		var ps agent.PackState
		if read(jnl.PackState(p.Name, &ps)) {
			mem.Packs[p.Name] = ps
		}
	}
	ids, err := jnl.Identities()
	read(true, err)
	for _, id := range ids {
		var k agent.KnownPack
		if read(jnl.Profile(id, &k)) && k.Profile != nil {
			mem.Known[id] = k
		}
	}
	var (
		alarms alarm.Saved
		fed    feed.Saved
		budget schedule.Saved
	)
	if read(jnl.State(agent.KeyAlarms, &alarms)) {
		mem.Alarms = &alarms
	}
	if read(jnl.State(agent.KeyFeed, &fed)) {
		mem.Feed = &fed
	}
	if read(jnl.State(agent.KeyBudget, &budget)) {
		mem.Budget = &budget
	}
	return mem
}

// powerOff runs the configured command that shuts the board down.
func powerOff(command []string, log zerolog.Logger) func(string) {
	return func(why string) {
		if len(command) == 0 {
			return
		}
		cmd := exec.Command(command[0], command[1:]...)
		if err := cmd.Start(); err != nil {
			log.Error().Err(err).Strs("command", command).Msg("power-off command")
			return
		}
		go func() {
			if err := cmd.Wait(); err != nil {
				log.Error().Err(err).Strs("command", command).Msg("power-off command")
			}
		}()
	}
}

// watchdog tells systemd that the step loop still handles its ticks, at half the
// interval systemd asked for (sd_watchdog_enabled(3)). Nil when it asked for none.
func watchdog(log zerolog.Logger) func() {
	every, err := daemon.SdWatchdogEnabled(false)
	if err != nil {
		log.Warn().Err(err).Msg("systemd watchdog")
	}
	if err != nil || every == 0 {
		return nil
	}
	var last time.Time
	return func() {
		if time.Since(last) >= every/2-time.Second {
			last = time.Now()
			_, _ = daemon.SdNotify(false, daemon.SdNotifyWatchdog)
		}
	}
}

// announceReady tells systemd once the page is served.
func announceReady(ctx context.Context, web *httpd.Server, log zerolog.Logger) {
	select {
	case <-web.Ready():
		log.Info().Str("address", web.Addr()).Msg("serving metrics and status page")
		_, _ = daemon.SdNotify(false, daemon.SdNotifyReady)
	case <-ctx.Done():
	}
}

func isTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	if !ok || os.Getenv("NO_COLOR") != "" || os.Getenv("TERM") == "dumb" {
		return false
	}
	_, err := unix.IoctlGetTermios(int(f.Fd()), unix.TCGETS)
	return err == nil
}
