// Package schedule decides when to probe, and what probes and forwarding may use.
// It is pure: time comes in as the agent's time line, and the caller runs the probes.
//
// # Model
//
// Every item starts again and again, one period after its last start give or take
// 10 %, so that many relays, and the items of one, drift apart. First
// starts are spread over the first period, two minutes at most. Only one probe runs at a
// time, because two would measure each other; whoever measures apart from the
// schedule, a survey, claims the link first. When several are due, the light ones go
// before throughput, because they are short and say whether the link is up; but
// a throughput item that is late by a whole period goes first, so that nothing
// starves. Starts that were missed are not made up for.
//
// As the pack runs down periods grow: see Stretch. The energy that is left comes from
// the forecast.
//
// A throughput item is held back while the pack is below its reserve. An unknown
// remaining time holds nothing back: it also stands for mains. A held item is looked
// at again after a period, ten minutes at most, jittered, so that a new day does not start
// every relay's transfer at midnight.
//
// # A quiet link
//
// A throughput item waits while others use the link: while they move more than
// Quiet.BytesPerS over the board's way out, counted over 5 s without a probe; or
// while the round trip of the first uplink target stands above the least of the last
// hour by half, and by 20 ms, at least, or, where the last transfer measured its round trip
// under load, is nearer to that than to the least. The second sees traffic that does not
// pass the board. After Quiet.Wait it starts all the same, and says so; one that an
// operator forces does not wait.
//
// # The budget
//
// A day and a month each have a budget, and each is divided in two: forwarding's share
// and the rest, the probes'. Neither takes from the other. Catching up after an outage
// is forwarding too: it sends what was not sent in time, in order, and takes days where a day's
// share does not hold it.
// A probe starts only if the most it may cost is left; a heavy one leaves besides
// what the light ones need to the end of the day and month. So no sum passes its budget.
//
// Inputs.Day names the day, and its month. Each has its own count, and the last eight days
// and three months are kept: a clock that jumps back and forth finds the counts as it
// left them, and a budget is given once. Pass "" while the clock is not set: the day
// then stays the one it was, so that a board that boots without a clock gets no
// new budget by booting, and begins anew after 24 h of the time line, the month after
// 31 days. What was used before any day had a name moves to the first one that has.
//
// # Energy
//
// Meter gives a probe's energy: the mean power that all packs' sensors read while it ran less
// that of the minute before, times how long it ran. It says what it cannot know: a pack
// being charged, a sensor that clipped, too few readings. One probe's figure is noisy, and
// may fall below 0; a day's sum and a target's mean are what count.
//
// # Limits
//
// The budget is as good as the byte counts passed in. A probe that crosses
// midnight counts on the day it ends. Of a probe that a crash ended the most it might have
// cost is counted. The least round trip of the last hour is that of a busy link if the
// link was never idle in it.
package schedule
