// Package notify delivers alarms to people's systems: by webhook, mail and command,
// and to Alertmanagers. (The log line and the metric of an alarm are made elsewhere.)
//
// # Model
//
// Publish hands over what changed and everything that is active; it never blocks.
// Run has one goroutine for each receiver, so that a hung one holds up no other.
//
// Webhook, mail and command are told events: one Message for each raising and
// clearing, in order, and reminders while an alarm stays active where RepeatEvery asks
// for them. A receiver with QuietWhenAcknowledged gets no reminder of an alarm that
// somebody acknowledged, and one at once when its quiet has ended.
//
// An Alertmanager is told a level: all active alarms in one POST to
// /api/v2/alerts, at once on a change and again every ResendEvery (1 min), with
// endsAt four times that ahead; an alarm that cleared goes along with endsAt now
// until a post succeeds. A newer state replaces an older one, so what waits is never
// more than what is, and history goes to the others. When the agent falls silent, its
// alarms therefore end at the Alertmanager after four times ResendEvery, and rules
// about the agent's own silence have to take over.
//
// HeartbeatEvery says again and again that the relay is there, so that its silence
// is noticed: to a webhook as a Message, to an Alertmanager as an alert that ends
// after three missed ones. A heartbeat passes by what waits and is not tried again.
//
// # The outbox
//
// Raisings and clearings are in the Store before they are sent: each delivery waits
// for Flush, but no longer than 10 s, since a disk that fails must not keep an alarm
// from being told. A message is removed, and that flushed, once it was delivered.
// It is therefore delivered at least once, and twice only where a crash fell between,
// then under the same MessageID and byte for byte the same (the bytes follow from the
// kept Message, and for mail from the configured addresses). Reminders are not
// kept, each has an id of its own, and one that nobody has seen is made anew with the
// newest words.
//
// What happened keeps its own time, however late it is told. Where the clock was not
// set then, ClockKnown is false; once the clock is set in the same run, the time is
// put right, unless some of the message may have arrived already.
//
// Up to 256 messages wait for a receiver; beyond that the oldest of the least severe is
// dropped and counted. A message that does not get there waits as long as it must.
// One that gets there and is not taken is given up after 6 h if others wait behind it.
// What waits is kept under the receiver's name: renaming it leaves its messages behind.
//
// # Clocks
//
// The Alertmanager goes by its own clock, and small boards boot with a wrong
// one. endsAt is therefore formed from the Date header of its last answer (RFC
// 9110 section 6.6.1). Before the first answer it is formed from the board's clock if that was set
// when the alarm was raised, and else left out, which leaves the end to the
// Alertmanager's resolve time-out. startsAt is left out for a wall time that was
// noted before the clock was set.
//
// # Failures
//
// No connection, a time-out, 408, 429 and 5xx of HTTP, 4xx of SMTP, a refused login and
// exit status 75 of a command are tried again after 1 s, doubling to 30 s, give or take
// a quarter, or after Retry-After if that is longer (10 min at most). Any other
// answer is final: the message is dropped and counted, an Alertmanager's alarms
// are posted again at the next resend. A redirect is such an answer, because a POST
// that follows one may turn into a GET, or carry credentials elsewhere. When Run's
// context ends, what waits is tried once more, within 5 s in all.
//
// Errors name the receiver, never its address or its credentials: the path of a
// webhook is often the secret.
//
// # Sources
//
// Alertmanager API v2 (its OpenAPI description, and the documentation's "Alerts API":
// clients keep sending active alerts, endsAt set to a time ahead); RFC 9110 for Date
// and Retry-After; RFC 6585 for 429; RFC 5321, 3207, 4954 and 8314 for mail's way and RFC
// 5322 for its form; EX_TEMPFAIL of sysexits.h for 75. Back-off, bounds and the factors
// of four and three are common practice, no source.
package notify
