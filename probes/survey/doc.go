// Package survey compares arrangements of a link (wireless hop, cable, cable with
// power on it, a relay here or there) by repeated rounds of the same probes, in an
// order that cancels drift, and says better, worse, no difference shown, or cannot
// tell and what would tell.
//
// # Design
//
// A Plan declares beforehand the arrangements, the rounds of each, one primary
// question, and the difference that matters (15 % unless stated). Rounds are taken
// in blocks, each arrangement once a block, in the order A B, B A, B A, A B, … (the
// Thue-Morse sequence, which starts A B B A and goes on B A A B). A drift that is a
// straight line over four rounds, or a parabola over eight, or that repeats every
// four rounds, cancels. The rounds of one block are compared with each other.
//
// Where changing the arrangement is too dear, the order in runs (A A B B B B A A)
// changes it twice. Its rounds are not paired and its verdict is withheld when a
// drift during the survey is noticed (a line, or neighbours alike: von Neumann's
// ratio). What is not noticed looks like a difference: under strong drift some 6 %
// of the verdicts, where the counterbalanced order has 1 %.
//
// # Statistics
//
// The difference is the Hodges-Lehmann estimate with its exact interval: the median
// of Walsh averages and the signed-rank test for blocks, the median of differences
// and the rank-sum test for runs. P values are exact, counted by dynamic programming
// over the observed ranks: equal values share their mean rank, and the distribution
// is the one of those ranks. Differences of exactly 0 are ranked and then left out
// (Pratt 1959). Above 100 blocks, or 50 rounds of each in runs, the normal
// approximation with tie correction and continuity correction is used. Intervals
// come from the distribution without ties and so hold at least their level.
//
// The primary question is tested at 5 %, the others at 5 % together (Holm 1979).
// With more than two arrangements each is compared with the first, and the primary
// tests are corrected together as well.
//
//   - better, worse: the difference is shown to be there (test), and one as large as
//     the declared one is not excluded (interval).
//   - no difference shown: the interval excludes a difference as large as declared.
//   - cannot tell: neither; with the number of rounds that would settle it.
//
// A verdict is given only when all declared rounds were made, and never with fewer
// than six pairs, or four and four rounds, which no test at 5 % can tell apart
// (5 pairs reach 6.25 % at best, 3 and 3 rounds 10 %).
//
// # Limits
//
// Rounds added after a look at the result raise the chance of a false difference:
// to 8.3 % with one further look, 10.7 % with two (Armitage, McPherson and Rowe
// 1969, from memory); the comparison says so. The number of further rounds follows
// from the scatter seen so far and is as uncertain as its square, which of four pairs is
// within a third of the true one in 31 surveys of a hundred, of eight in 47: so a range is
// given, which holds the number in at least four surveys of five. A fault that follows the arrangement by chance (rain at every
// turn of B) looks like the arrangement. Files from before a clock was set keep
// their order, not their times.
package survey
