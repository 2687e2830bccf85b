package agent

import (
	"context"
	"fmt"
	"time"

	"candlemark/probes"
)

// probeMost bounds a probe that does not keep its own bounds, so that one bad
// target cannot end all probing.
const probeMost = 3 * time.Minute

// prober runs one probe at a time; probes never overlap, since one would spoil
// the other's figures.
type prober struct {
	probers map[string]probes.Prober
	kinds   map[string]TargetSetup
	line    timeline
	emit    func(context.Context, Event)
	asked   chan StartProbe // holds one: the schedule asks for the next only when this one ended
}

// start asks for a probe. It never blocks.
func (p *prober) start(s StartProbe) error {
	select {
	case p.asked <- s:
		return nil
	default:
		return fmt.Errorf("probe %s: another probe is still waiting to run", s.Name)
	}
}

// run performs what is asked for until ctx ends.
func (p *prober) run(ctx context.Context) error {
	for {
		select {
		case <-ctx.Done():
			return nil
		case ask := <-p.asked:
			began := p.line.now()
			result := p.probe(ctx, ask)
			p.emit(ctx, Probed{Result: result, Began: began, At: p.line.now()})
		}
	}
}

func (p *prober) probe(ctx context.Context, ask StartProbe) probes.Result {
	pr, ok := p.probers[ask.Name]
	if !ok {
		return probes.Result{Target: ask.Name, Kind: ask.Kind, Err: fmt.Errorf("probe %s: no such target", ask.Name)}
	}
	ctx, cancel := context.WithTimeout(ctx, probeMost)
	defer cancel()
	r := pr.Probe(ctx)
	// The name and section are the configuration's, whatever the prober calls itself.
	r.Target, r.Kind = ask.Name, ask.Kind
	if p.line.speed != 1 {
		r.Start = p.line.lived(r.Start).Wall // a demonstration's results carry its own time
	}
	if set, ok := p.kinds[ask.Name]; ok {
		r.Section = set.Section
	}
	return r
}
