package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"time"

	"candlemark/agent/config"
	"candlemark/probes"
	"candlemark/probes/reflector"
	"candlemark/probes/stamp"
)

// probeMost bounds one probe of a check.
const probeMost = 20 * time.Second

// checkProbed tries everything that is probed, for next to no data.
func checkProbed(ctx context.Context, cfg *config.Config) []finding {
	prs, err := probers(cfg)
	if err != nil {
		return []finding{{"probes", isFault, err.Error(), "correct the configuration"}}
	}
	try := func(name string) probes.Result {
		ctx, cancel := context.WithTimeout(ctx, probeMost)
		defer cancel()
		return prs[name].Probe(ctx)
	}
	var out []finding
	for _, t := range cfg.Targets {
		out = append(out, judgeTarget(t, try(t.Name)))
	}
	for _, t := range cfg.Throughput {
		ctx, cancel := context.WithTimeout(ctx, probeMost)
		out = append(out, tryFarEnd(ctx, t))
		cancel()
	}
	for _, v := range cfg.Services {
		out = append(out, judgeService(v, try(v.Name)))
	}
	return out
}

func judgeTarget(t config.Target, r probes.Result) finding {
	what := fmt.Sprintf("%s %s", t.Section, t.Name)
	switch answered, known := r.Answered(); {
	case answered:
		return finding{what, isGood, fmt.Sprintf("%.1f ms round trip, %d of %d lost", ms(r.Latency.Median), r.Latency.Lost, r.Latency.Sent), ""}
	case known && r.Latency != nil:
		cause := "no answer"
		if r.Latency.LossCause != "" {
			cause += ": " + r.Latency.LossCause
		}
		remedy := "check that " + t.Address + " is right and that the way to it is up; some devices answer no ICMP, so try method: tcp_connect with a port"
		if t.Method == stamp.Method {
			remedy = "check that candlemark reflect runs at " + t.Address + " and knows this relay: " + whomItKnows(t.KeyFile)
		}
		return finding{what, isFault, cause, remedy}
	}
	remedy := "for ICMP without privileges see the document board.md, step 4, or try method: tcp_connect with a port"
	switch {
	case errors.Is(r.Err, probes.ErrNoName):
		remedy = "correct the name, or give an address; without a name server use addresses"
	case t.Method == stamp.Method:
		remedy = "correct key_file: a file with 16 to 64 characters that the user that runs the agent may read, and nobody else"
	}
	return finding{what, isFault, fmt.Sprint(r.Err), remedy}
}

// whomItKnows says what makes a reflector answer this relay's packets.
func whomItKnows(keyFile string) string {
	if keyFile != "" {
		return "its --key-file must hold the same key"
	}
	return "its --allow must hold this board's address"
}

// tryFarEnd asks the far end of a transfer, without one.
func tryFarEnd(ctx context.Context, t config.Throughput) finding {
	what := "throughput " + t.Name
	if t.Reflector == "" && t.Source == "" {
		return finding{what, isUnknown, "not tried, since it would cost data", "see the agent's first transfer on its page or in candlemark status"}
	}
	var f probeFiles
	if t.TokenFile != "" || t.CAFile != "" {
		var err error
		if f, err = readProbeFiles(t); err != nil {
			remedy := "make the file readable for the user that runs the agent, and for nobody else"
			if errors.Is(err, fs.ErrNotExist) {
				remedy = "copy it from where candlemark reflect runs, by a safe route"
			}
			return finding{what, isFault, err.Error(), remedy}
		}
	}
	took, err := reflector.Try(ctx, reflectorConfig(t, f))
	switch {
	case errors.Is(err, reflector.ErrNoPackets):
		return finding{what, isFault, err.Error(), "the reflector answers requests but not packets: " + whomItKnows(t.Packets.KeyFile) + ", and its port must be the one under packets"}
	case err != nil && t.Reflector != "":
		return finding{what, isFault, err.Error(), "check that candlemark reflect runs there, and that the token is its own"}
	case err != nil:
		return finding{what, isFault, err.Error(), "check the address: it must give a file of 1 MB or more, without a page to sign in on the way"}
	}
	return finding{what, isGood, fmt.Sprintf("answers in %.1f ms", ms(took)), ""}
}

func judgeService(v config.Service, r probes.Result) finding {
	what := "service " + v.Name
	switch {
	case r.Service != nil && r.Service.Works:
		return finding{what, isGood, fmt.Sprintf("works, done in %.0f ms", ms(r.Elapsed)), ""}
	case r.Service != nil:
		return finding{what, isFault, r.Service.Problem, "check the address and, for a page, status and marker; if they are right the service or the way to it is down"}
	}
	return finding{what, isUnknown, fmt.Sprint(r.Err), "run this again"}
}
