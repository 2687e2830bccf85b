// Package schedule decides when to probe. It is pure: time comes in as the
// agent's time line, and the caller runs the probes.
//
// # Model
//
// Every item starts again and again, one period after its last start give or take
// 10 %, so that many relays, and the items of one, drift apart. First
// starts are spread over the first period, two minutes at most. Only one probe runs at a
// time, because two would measure each other. When several are due, latency goes
// before throughput, because it is short and says whether the link is up; but
// a throughput item that is late by a whole period goes first, so that nothing
// starves. Starts that were missed are not made up for.
//
// A throughput item is held back while the most it may cost would pass the day's
// data budget, or while the pack is below its reserve. An unknown remaining time
// holds nothing back: it also stands for mains. A held item is looked at again
// after a period, ten minutes at most, jittered, so that a new day does not start
// every relay's transfer at midnight.
//
// # The day of the budget
//
// Inputs.Day names the day. Each day has its own count, and the last eight days
// are kept: a clock that jumps back and forth finds the counts as it left them,
// and a day's budget is given once. Pass "" while the clock is not set: the day
// then stays the one it was, so that a board that boots without a clock gets no
// new budget by booting, and begins anew after 24 h of the time line. Bytes used
// before any day had a name move to the first one that has.
//
// # Limits
//
// The budget is as good as the byte counts passed to Done. A probe that crosses
// midnight counts on the day it ends.
package schedule
