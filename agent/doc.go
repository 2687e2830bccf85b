// Package agent joins sensors, probes and operators to the decisions, and the
// decisions to those who must be told.
//
//	sensors/*  ─Reading─► sampler ─┐                     ┌─► status  ─► /metrics, page (pulled)
//	probes/*   ─Result──► prober  ─┼─► Step ─[]Effect─► tell ─► notify ─► webhook, Alertmanager
//	operator   ─Note────► control ─┘  (pure)             ├─► journal (what happened, what was learned)
//	                                   │ uses            └─► prober  (start the next probe)
//	                                   └─ pack (estimate, forecast), alarm (decide), schedule (when to probe)
//
// Step is the only place where anything is decided. It is pure: it takes the
// State and one Event, and returns the next State and the Effects to perform.
// One goroutine, the loop in loop.go, owns the State; replay sends recorded
// events through the same Step, so what a replay shows is what the agent would
// have done.
//
// # Time
//
// Small boards boot with a wrong clock. Everything decided here is decided on
// alarm.Instant.Up, the time since the agent started, formed from monotonic
// readings; the wall clock is carried along for people and records only.
//
// # Where things are
//
//   - step.go, event.go, effect.go, state.go: the pure middle
//   - feedstep.go: the terminal's feed within the step; feedask.go: requests about it from outside
//   - sampler.go, prober.go: the producers, one goroutine for each pack and one for all probes
//   - tell.go: performs effects
//   - loop.go: owns the State, feeds the watchdog, publishes the picture
//   - group.go: starts everything and stops it in order
package agent
