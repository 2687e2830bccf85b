package main

import (
	"time"

	"github.com/rs/zerolog"

	"candlemark/agent/clock/board"
	"candlemark/agent/config"
	"candlemark/agent/journal"
)

// keyConfig is the journal's key of the last configuration's fingerprint.
const keyConfig = "configuration"

// noteConfig records that the agent runs with another configuration than the last
// time, and which keys changed: who reads the record later must know.
func noteConfig(cfg *config.Config, jnl *journal.Journal, now func(time.Time) time.Time, log zerolog.Logger) {
	digest, err := cfg.Digest()
	if err != nil {
		log.Error().Err(err).Msg("configuration")
		return
	}
	var before config.Digest
	if _, err := jnl.State(keyConfig, &before); err != nil {
		log.Error().Err(err).Msg("not carried on from the journal")
	}
	news := digest.Since(before)
	if news == "" {
		return
	}
	log.Info().Msg(news)
	jnl.Append(journal.Record{Wall: now(time.Now()), Up: board.Uptime(), Kind: journal.KindConfig, Text: news})
	if err := jnl.PutState(keyConfig, digest); err != nil {
		log.Error().Err(err).Msg("journal")
	}
}
