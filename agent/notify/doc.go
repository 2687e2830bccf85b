// Package notify delivers alarms to people's systems: webhooks and Alertmanagers.
// (The log line and the metric of an alarm are made elsewhere.)
//
// # Model
//
// Publish hands over what changed and everything that is active; it never blocks.
// Run has one goroutine for each receiver, so that a hung one holds up no other.
//
// A webhook is told events: one POST of one Message for each raising and clearing, in
// order, and reminders while an alarm stays active where RepeatEvery asks for
// them. Up to 256 wait; beyond that the oldest is dropped and counted. The head
// of the queue is tried again until it is an hour old, then dropped and counted.
// Delivery is at least once: an alarm that was active before a restart is told
// again, marked as a reminder, under the same id.
//
// An Alertmanager is told a level: all active alarms in one POST to
// /api/v2/alerts, at once on a change and again every ResendEvery (1 min), with
// endsAt four times that ahead; an alarm that cleared goes along with endsAt now
// until a post succeeds. A newer state replaces an older one, so what waits is never
// more than what is. When the agent falls silent, its alarms therefore end at the
// Alertmanager after four times ResendEvery, and rules about the agent's
// own silence have to take over.
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
// No connection, a time-out, 408, 429 and 5xx are tried again after 1 s, doubling to
// 30 s, give or take a quarter, or after Retry-After if that is longer (10 min at
// most). Any other answer but 2xx is final: a webhook's message is dropped and
// counted, an Alertmanager's alarms are posted again at the next resend. A
// redirect is such an answer, because a POST that follows one may turn into a GET, or
// carry credentials elsewhere. When Run's context ends, what waits is tried once more,
// within 5 s in all.
//
// Errors name the receiver, never its address or its credentials: the path of a
// webhook is often the secret.
//
// # Sources
//
// Alertmanager API v2 (its OpenAPI description, and the documentation's "Alerts API":
// clients keep sending active alerts, endsAt set to a time ahead); RFC 9110 for Date
// and Retry-After; RFC 6585 for 429. Back-off, bounds and the factor of four are common
// practice, no source.
package notify
