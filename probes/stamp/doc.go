// Package stamp measures with the Simple Two-Way Active Measurement Protocol
// (STAMP, RFC 8762): packets over UDP that a Session-Reflector answers with its own
// timestamps and, being stateful, its own sequence numbers.
//
// # Model
//
// A probe is one session: Count packets, Interval apart, each waited for until
// Timeout; one not answered by then is lost. From the echoed numbers follow, for
// each direction apart, the loss and the delay variation; from this side's clock
// alone the round trips. The time the reflector held a packet is taken off the
// round trip, as its two timestamps give it.
//
// Loss by direction: the reflector counts its answers. After a burst with loss one
// more packet asks for that count (again from sequence number 0, at most three
// tries). What the reflector answered and did not arrive was lost on the way back,
// the rest on the way there. A stateless reflector repeats the sender's number,
// which that packet shows; the directions then stay unknown.
//
// The mode is the RFC's unauthenticated one, or with a key its authenticated one:
// HMAC-SHA-256 cut to 16 octets over the first 96.
//
// Type-P (RFC 2330): UDP, 44 octets (112 authenticated) and the padding asked for,
// TTL 255.
//
// # The reflector and abuse
//
// It answers only whom it knows, by key or by a list of sources. A reply is never
// longer than its request, and requests below 44 octets are dropped, so it
// amplifies nothing. It is limited in packets a second by source and in total, in
// sessions, and in their idle time. Packets that come from a reflector's port are
// dropped, lest two reflectors answer each other for ever.
//
// # Limits
//
//   - One-way delay is never given: nobody synchronised the clocks (S is 0 in the
//     Error Estimate). Delay variation by direction is as good as the clocks are
//     even: 50 ppm apart make 0.2 ms in a burst of 4 s.
//   - Of RFC 8972 it understands the session identifier and Extra Padding. Other
//     extensions are answered as not recognised; the HMAC extension over extensions
//     is among them, so in authenticated mode extensions are not protected.
//   - Reordering across the end of a burst may count a packet to the wrong direction.
//   - Times of arrival are the kernel's, of sending the process's.
//   - Linux.
//
// Sources: RFC 8762, RFC 8972 (sections 3 and 4), RFC 4656 section 4.1.2, RFC 5905
// section 6, RFC 4868.
package stamp
