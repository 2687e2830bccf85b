package main

import (
	"context"
	"fmt"
	"time"

	"github.com/rs/zerolog"

	"candlemark/agent"
	"candlemark/agent/config"
	"candlemark/agent/journal"
	"candlemark/agent/surveyor"
	"candlemark/probes"
	"candlemark/probes/survey"
)

// loadLead is the ramp-up that the throughput probes leave out.
const loadLead = 2 * time.Second

// newSurveyor makes surveys with the agent's own probes.
func newSurveyor(c *config.Config, prs map[string]probes.Prober, jnl *journal.Journal, log zerolog.Logger, a func() *agent.Agent) *surveyor.Surveyor {
	return surveyor.New(surveyor.Parts{
		Store: surveyor.NewStore(jnl, func(text string) { log.Warn().Msg(text) }), Set: surveySet(c, prs),
		Claim: func(ctx context.Context, bytes int64) (func(int64), error) { return a().Claim(ctx, bytes) },
		Record: func(ctx context.Context, text, who string) {
			ctx, cancel := context.WithTimeout(ctx, askMost)
			defer cancel()
			_ = a().Note(ctx, text, who) // an agent that is stopping takes no more notes
		},
	})
}

// surveySet is what every round of a survey measures: of each section the first target
// and the first transfer of the configuration.
func surveySet(c *config.Config, prs map[string]probes.Prober) survey.Set {
	set := survey.Set{LoadLead: loadLead}
	for _, section := range []probes.Section{probes.Hop, probes.Uplink} {
		for _, t := range c.Targets {
			if t.Section == section {
				set.Latency = append(set.Latency, survey.Measure{
					Prober: prs[t.Name], Section: section, MaxBytes: burstBytes(t),
					Words: fmt.Sprintf("latency of the %s, %s at %s, %d packets", section, t.Name, t.Address, t.Count),
				})
				break
			}
		}
		for _, t := range c.Throughput {
			if t.Section == section {
				set.Load = append(set.Load, survey.Measure{
					Prober: prs[t.Name], Section: section, MaxBytes: int64(t.ByteBudget),
					Words: fmt.Sprintf("throughput of the %s, %s, at most %d bytes", section, t.Name, int64(t.ByteBudget)),
				})
				break
			}
		}
	}
	return set
}
