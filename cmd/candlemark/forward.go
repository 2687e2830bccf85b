package main

import (
	"os"
	"runtime/debug"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/rs/zerolog"

	timekeeping "candlemark/agent/clock"
	"candlemark/agent/clock/board"
	"candlemark/agent/config"
	"candlemark/agent/forward"
	"candlemark/agent/journal"
)

// keyClock is the journal's key of what is known of the board's clock.
const keyClock = "clock"

// newClock keeps what is known of the time of day over restarts and wrong clocks.
func newClock(boot string, jnl *journal.Journal, log zerolog.Logger) *board.Keeper {
	var saved timekeeping.State
	if _, err := jnl.State(keyClock, &saved); err != nil {
		log.Error().Err(err).Msg("not carried on from the journal")
	}
	return board.New(boot, timekeeping.New(saved, built()),
		func() timekeeping.Evidence { return board.Look(boot, "") },
		func(s timekeeping.State) {
			if err := jnl.PutState(keyClock, s); err != nil {
				log.Error().Err(err).Msg("journal")
			}
		})
}

// built is when this program was made: no clock that stands before it is right.
func built() time.Time {
	if info, ok := debug.ReadBuildInfo(); ok {
		for _, s := range info.Settings {
			if at, err := time.Parse(time.RFC3339, s.Value); s.Key == "vcs.time" && err == nil {
				return at
			}
		}
	}
	// A build without version control: the file is about as old as the program.
	path, err := os.Executable()
	if err != nil {
		return time.Unix(0, 0)
	}
	info, err := os.Stat(path)
	if err != nil {
		return time.Unix(0, 0)
	}
	return info.ModTime()
}

// newForwarder sends every metric on as the configuration says; nil without one.
func newForwarder(cfg *config.Config, source prometheus.Gatherer, jnl *journal.Journal, keep *board.Keeper, boot string) (*forward.Forwarder, error) {
	f := cfg.Forward
	if f == nil {
		return nil, nil
	}
	fwd, err := forward.New(forward.Config{
		URL: f.URL, Version: forward.Version(f.Version), Every: f.Every, SendEvery: f.SendEvery, Timeout: f.Timeout,
		MaxAge: f.MaxAge, CatchUpBytes: int(f.CatchUp), BearerTokenFile: f.TokenFile, User: f.User, PasswordFile: f.PasswordFile,
		CAFile: f.CAFile, Relay: cfg.Relay, Site: cfg.Site, Labels: map[string]string{"job": f.Job},
	}, forward.Parts{Source: source, Backlog: jnl, Clock: keep, Boot: boot})
	if err != nil {
		return nil, configError{err}
	}
	return fwd, nil
}
