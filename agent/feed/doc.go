// Package feed decides when the terminal has power. It is pure; package contact
// below it does the switching and describes the wiring.
//
// # Model
//
// The Machine is pure: it is told the time, the pack's forecast and what people
// ask for, and answers with Effects. The feed is in one of four modes:
//
//   - on;
//   - off, by request and with a return time: nobody is at the relay to switch it
//     back, and the request itself may have come over the link that it cuts;
//   - scheduled: on for so long in every so long;
//   - shed: cut because the pack reached its reserve.
//
// Shedding goes in order: warn, run the hook that shuts the terminal down, wait,
// cut. The warning is cut short where less is left. It outranks everything
// else: what was to return finds the pack at its reserve and stays off. A shed feed
// returns when the pack is swapped, when it has been charged for 2 min, or when
// the operator says so; never because a voltage recovered, which it does
// whenever a load goes away. A return by charge that ends in another shedding doubles
// the time of charging that the next one takes, up to 64 min, so that a weak
// charger does not make the terminal start and stop without end. After an
// operator's on below the reserve the next shedding comes at the cut-off.
//
// Every planned cut runs the hook first. Once it ran, the cut is made whatever
// happens, because a terminal that shut itself down starts only on a fresh supply;
// if the reason has gone by then, the feed returns after 10 s.
//
// # Time and restarts
//
// Durations are formed on the agent's own time line; a wall clock that jumps
// changes nothing while the agent runs. Every change is saved before it is made.
// After a restart within one boot the elapsed time is known from the board's
// uptime. After a reboot it is known where both ends were stamped by a clock that
// was set and did not run backwards. Otherwise the feed returns at once if the
// pack is above its reserve, and after 3 min if nobody can judge the pack, for
// the return time may have passed. It is never later than the requested time
// counted anew from the restart.
//
// # Remaining time with the terminal on
//
// While the feed is off, the forecast describes the load without the terminal.
// The remaining time with it is formed as energy by power: the forecast's time by
// its load, divided by the load with the terminal. That is the load last measured with
// the feed on or, before any was, the load without it and the terminal's label. A load
// counts as measured once the forecast has settled: 2 min after a switching, and the
// terminal's start-up after it was switched on. At rest it is charge by
// capacity by cut-off voltage, which is a lower bound of the energy. A pack gives less
// at a higher load than at a lower one, lead-acid above all, so what is formed from a
// forecast at a higher load errs to the short side, and what is formed from one at a
// lower load, as that of a return is, to the long side; the
// shedding that follows is judged by the forecast under the true load.
//
// # Without a switch
//
// The same plan is made, and what would be switched is said as advice.
//
// # Sources
//
// The order of shedding, its hold times and limits: common practice, no source.
package feed
