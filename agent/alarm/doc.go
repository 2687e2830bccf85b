// Package alarm decides which alarms are active, and says in words what is the
// matter and what to do. It is pure: what it knows of the world comes in through
// Inputs, and it sends nothing.
//
// # Model
//
// Every alarm has one entry in the Catalogue and at most one life at a time for
// each subject (a pack, a target, or the board). A life begins when the raise
// condition has held for the entry's hold time, ends when its clear condition
// has, and keeps one id in between, over restarts of the agent too. Raise and
// clear levels lie apart, so that a figure that trembles about one of them does
// not flap. Only Instant.Up is ever subtracted: a wall clock that jumps changes
// no decision.
//
// bring_next_pack and shut_terminal_down compare Forecast.Cautious, which a pack
// falls short of with probability pack.CautiousLevel, with the lead times of the
// pack. It is another figure than the ends of the range that 9 in 10 end in, and the text says
// which is which. Once raised they stay: the voltage of a pack recovers when its
// load is switched off, and a pack that rests or cannot be judged is no fuller
// than it was. They end
//
//   - at once when the pack is swapped, or when it charges or is held up by mains;
//   - when the cautious time has stayed above 1.5 times the lead for 2 min while
//     discharging at half the load of the raising or more.
//
// An unknown forecast neither raises nor clears them. One that rests on a reading
// older than StaleAfter clears nothing, but raises once the cautious time less the
// reading's age is within the lead: a pack that nobody measures is drained all the
// same. A lead time of 0 switches its alarm off.
//
// pack_at_cutoff is raised when a discharging pack is forecast 0 s, and also
// when no pack is seen for 2 min while shut_terminal_down is raised: then the
// pack has switched itself off or was taken out and not replaced, and the relay is
// dark either way. A pack that is absent at any other time, with a sensor that
// reads well, is nobody's alarm: an empty holder is not a fault. sensor_stale
// is about readings only, so an absent pack does not raise it.
//
// feed_cut_coming passes on what package feed announces, with the time of the cut.
// A schedule's cuts raise nothing: they are known and come each hour.
//
// # Limits
//
// Holds are counted on the agent's time line and also in readings or probes, so
// that one bad reading among good ones raises nothing. Restarting sets the
// counts back to zero, while raised alarms are kept. The time during which the
// agent did not run is unknown and counts as zero.
//
// # Sources
//
// That alarms need hysteresis, few repeats and an action: Prometheus
// documentation, "Alerting" practices. The lead times, the levels and the hold
// times are common practice, no source.
package alarm
