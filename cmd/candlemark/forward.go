package main

import (
	"github.com/prometheus/client_golang/prometheus"

	"candlemark/agent"
	"candlemark/agent/clock/board"
	"candlemark/agent/config"
	"candlemark/agent/forward"
	"candlemark/agent/journal"
)

// newForwarder sends every metric on as the configuration says; nil without one.
func newForwarder(cfg *config.Config, source prometheus.Gatherer, jnl *journal.Journal, keep *board.Keeper, boot string, data *agent.DataMeter) (*forward.Forwarder, error) {
	f := cfg.Forward
	if f == nil {
		return nil, nil
	}
	fwd, err := forward.New(forward.Config{
		URL: f.URL, Version: forward.Version(f.Version), Every: f.Every, SendEvery: f.SendEvery, Timeout: f.Timeout,
		MaxAge: f.MaxAge, CatchUpBytes: int(f.CatchUp), BearerTokenFile: f.TokenFile, User: f.User, PasswordFile: f.PasswordFile,
		CAFile: f.CAFile, Relay: cfg.Relay, Site: cfg.Site, Labels: map[string]string{"job": f.Job},
	}, forward.Parts{Source: source, Backlog: jnl, Clock: keep, Boot: boot, Used: data.Used, Room: data.Room})
	if err != nil {
		return nil, configError{err}
	}
	return fwd, nil
}
