// Package forward pushes every exported series to a receiver of the Prometheus
// remote-write standard, through outages and with the times at which the samples
// were taken.
//
// # Model
//
// Run has two halves. One gathers the metrics every interval into the journal's
// sample backlog, by boot and uptime. The other drains the backlog in order: it
// puts a time to each gathering, as the clock's verdict has it, sends a request of
// whole gatherings, and forgets them once the receiver has answered for them. What
// was taken while the time was not known waits for it; what an earlier boot took
// without ever learning the time has none and is dropped and counted. A series
// that is not exported any more ends with a stale marker.
//
// A gathering carries what the receiver needs to tell relays apart: the labels
// relay, site and incident (those that are set) and others from the configuration.
// An exported label of such a name with another value becomes exported_<name>.
//
// # Failures
//
// No connection, no answer in time, a name that is not found, TLS that is not
// accepted, 408, 425, 429 and 5xx are tried again after 1 s, doubling to 2 min, give or
// take a quarter, or after Retry-After if that is longer. 415, and a success that
// does not say what was written, fall back from version 2.0 to 1.0. 400, 409, 413 and
// 422 are refusals of samples: one bad sample makes a receiver drop the whole
// request. The request is halved until the offenders stand alone; they are dropped
// and counted, a duplicate counts as delivered. At most 120 requests are spent on one;
// what is then still refused is dropped with the offenders in it. A series that
// spoils three requests in a row is left out for an hour at a time, counted. A request of
// which nothing at all is accepted points at the receiver and is held for an
// hour, except where the receiver says that it is out of order: that it will say
// again, and newer samples may pass. Any other answer (401, 404, a redirect) is a
// matter of configuration: everything waits.
//
// # Out of order
//
// A receiver that has newer samples than those of an outage takes them only with
// out_of_order_time_window set (Prometheus: storage.tsdb), at least as long as
// the outage. Its refusal is recognised by its words and told in Status with the
// remedy. Prometheus 2.42 answers 500 to a sample beyond the window ("too old
// sample"), which by the standard would be tried again for ever; those words are
// a refusal too.
//
// # Data
//
// While more waits than a request holds, requests are spaced so as to keep to
// CatchUpBytesPerSecond. Each byte on the connections, TLS included, is reported to
// Used, and each request asks Room first for the most it may move; while the budget
// does not hold it, samples wait in the backlog.
//
// # Limits
//
// At least once: a request whose answer was lost is sent again, with the same
// times, which receivers take for the same samples. Where the clock is corrected
// between a crash and the resending, they may differ. Native histograms and
// exemplars are not exported and not sent. Bytes counted are those of TCP's payload.
//
// # Sources
//
// Prometheus Remote-Write 1.0 and 2.0 specifications (prometheus.io/docs/specs);
// prompb/types.proto and remote.proto for the 1.0 message; Prometheus' data model
// for names; RFC 9110, RFC 6585. The words of a refusal are those of Prometheus
// 2.42 (storage/interface.go). Back-off and bounds are common practice, no source.
package forward
