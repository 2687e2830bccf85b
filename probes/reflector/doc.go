// Package reflector is the far end that relays measure against, and the probe that
// measures against it: STAMP packets (package stamp) beside an HTTP source and sink
// of test data, on a second board or a laptop near the uplink.
//
// # Server
//
// HTTP/1.1, a connection a stream, all of it behind a token: /v1/source gives the
// noise asked for, /v1/sink takes a body, /v1/small answers one byte, /v1/report
// says what the server's kernel saw of a run. Bounded are: the bytes of a request
// and of a day, the rate, the transfers and connections at once, the time of a
// request (90 s) and of a stall (10 s). Nothing is kept on disk.
//
// # Throughput
//
// The probe loads one direction with n TCP connections, then the other, each alone
// (RFC 6349 section 3.3). It counts segments in slots of 50 ms as they arrive (down)
// or are confirmed (up), by the kernel's TCP_INFO: bytes are handed over in order,
// so a lost segment would make the rate seem to stop and then jump. The congestion
// control is set on each socket and stated.
//
// The steady state begins where the rate first reaches nine tenths of its mean in
// the second half. Its mean has a 95 % interval that takes the correlation of
// neighbouring slots into account (judgeSlots). The run stops as soon as that is
// ±10 % or better, after at least 1.7 s and ten round trips under load; or ±20 %, once it
// has spent 22 % of what a plain run of 10 s would; else at its byte budget or deadline,
// with the interval it has. So a single run spends more than a quarter of a plain one only
// where the rate falls later, about one in a hundred on a link that wanders by ±20 %.
//
// A rate that wanders more slowly than the time measured cannot be known from it:
// the interval then is too narrow, as nothing in the data tells.
//
// # Under load
//
// With Working the load goes on for a while once it is steady, and meanwhile are
// measured: STAMP packets, and requests on connections of their own, at most 5 % of
// the capacity, as the IETF draft on responsiveness under working conditions wants
// them (draft-ietf-ippm-responsiveness, the form for TCP alone where there is no
// TLS). Requests do not share HTTP/1.1 connections with the load; the kernel's
// round trips stand in, which the draft allows. Package quality makes the figure of
// them. The draft adds connections one by one until all is stable; here their
// number is given, which costs less data.
//
// # Bounds of a probe
//
// Each stream asks for no more than its share of the byte budget, so that not even
// what is in flight passes it. Every connection byte counts 1.05 for headers, and
// 3 % are kept back for retransmissions; more than that, on a download, is seen only
// when it is over. What
// a server must not do to it: hang, refuse, redirect, answer with pages, end early,
// drip, vanish, or confirm data on the way that never arrive (the reflector's report
// is held against the confirmations).
//
// # Limits
//
// The round trip that RFC 6349 calls the baseline is the least of the idle ones at
// the time. TLS adds 0.2 % to what is counted as payload. Any other HTTP source has
// no report: no retransmissions, no congestion control, no upload.
//
// Sources: RFC 6349; Geyer 1992 for the variance of a correlated mean.
package reflector
