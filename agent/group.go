package agent

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// Task is something that runs until its context ends. Returning earlier, with or
// without an error, is a fault that stops everything.
type Task struct {
	Name string
	Run  func(context.Context) error
}

// errReturned marks a task that ended although nobody asked it to.
var errReturned = errors.New("returned although nobody stopped it")

// runStages starts every task of every stage at once and stops them stage by
// stage, the first stage first, when ctx ends or any task returns. Each stage gets
// an equal share of grace to stop in, so that one that hangs in the kernel does
// not keep the next from saving; a task that does not stop is named in the error.
func runStages(ctx context.Context, grace time.Duration, stages ...[]Task) error {
	type end struct {
		stage int
		name  string
		err   error
	}
	total := 0
	for _, st := range stages {
		total += len(st)
	}
	ends := make(chan end, total)
	cancels := make([]context.CancelFunc, len(stages))
	running := make([]map[string]bool, len(stages))
	for i, st := range stages {
		// Not derived from ctx: the order of stopping is decided below.
		sctx, cancel := context.WithCancel(context.WithoutCancel(ctx))
		defer cancel()
		cancels[i], running[i] = cancel, map[string]bool{}
		for _, t := range st {
			running[i][t.Name] = true
			go func() { ends <- end{i, t.Name, t.Run(sctx)} }()
		}
	}
	var faults []error
	note := func(e end, asked bool) {
		delete(running[e.stage], e.name)
		switch {
		case e.err != nil:
			faults = append(faults, fmt.Errorf("%s: %w", e.name, e.err))
		case !asked:
			faults = append(faults, fmt.Errorf("%s: %w", e.name, errReturned))
		}
	}
	select {
	case <-ctx.Done():
	case e := <-ends:
		note(e, false)
	}
	share := grace / time.Duration(max(len(stages), 1))
next:
	for i := range stages {
		cancels[i]()
		deadline := time.NewTimer(share)
		defer deadline.Stop()
		for len(running[i]) > 0 {
			select {
			case e := <-ends:
				note(e, e.stage <= i)
			case <-deadline.C:
				for name := range running[i] {
					faults = append(faults, fmt.Errorf("%s: did not stop within %s", name, share))
				}
				continue next
			}
		}
	}
	return errors.Join(faults...)
}
