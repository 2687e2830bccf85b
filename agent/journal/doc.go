// Package journal keeps what must survive a power cut: the state and the profile
// of every pack, the agent's own state, the activity record, and the samples that
// wait to be forwarded.
//
// It is one bbolt file with one writer, the process that holds its lock. Writes
// are gathered in memory and committed together every BatchEvery by Run, so that
// a power cut loses at most that much; AppendNow and Flush commit at once and
// return only when the file is synchronised. What cannot be written, because the
// disk is full or gone, is kept within a bound, is tried again, and shows in
// Status: the agent goes on without its record.
//
// What a commit adds to record and backlog goes to a small bucket first and is
// moved to its place sixteen commits later, which halves what is written.
//
// When there is no room, samples go first, the oldest first, and are counted. The
// record is cut at its oldest end, but never from the number Protect names on.
// Samples carry boot and uptime and no wall time, which may not be known yet.
//
// bbolt protects its two root pages with a checksum and nothing else, maps the
// file and trusts it. So every value here carries a checksum of its own, and Open
// reads the whole file as plain bytes before bbolt sees it. A damaged file is
// renamed, kept for whoever wants to look, and a fresh one is begun. A decayed
// batch of samples is only left out.
//
// Limits: a root page that decays at rest is taken for one that a power cut tore,
// so that the last commit before it is what is found. Sequence numbers handed out
// but not yet committed are given again after a crash. A file that decays while
// it is open is noticed when the value is read, or at the next start.
//
// Sources: go.etcd.io/bbolt v1.5.0 for the layout; CRC-32C as in RFC 3720, appendix B.4.
package journal
