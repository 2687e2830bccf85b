// Package quality turns figures of a link into answers: is it good enough for
// what people must do, for how many at once, and where does the fault lie. It is
// pure: no I/O, no clock; the same figures give the same answer.
//
// # Voice
//
// EModel is the narrow-band E-model of ITU-T G.107 (formula set of the 2015
// edition, default sensitivity class), the whole of it, including its own delay
// impairment Idd, which is 0 up to 100 ms. The much-used shortcut
// Id = 0.024 d + 0.11 (d - 177.3) H(d - 177.3) of Cole and Rosenbluth (2001) is not
// used: at 150 ms it gives 3.6 where Idd is 0.16. The formulas are from memory of the recommendation; they
// reproduce its published default, R = 93.2.
//
// Delay is mouth to ear, one way. A link's probe knows round trips, so half of one
// is taken and the assumption printed. See Voice for the rest of the assumptions.
//
// # Fit for use
//
// Judge compares measured figures with the needs of a use (Needs, DefaultNeeds),
// each need with its source or marked as a rule of thumb. A figure that was not
// measured, or that is too uncertain to tell, gives "cannot tell because …" and
// never a guess.
//
// # Responsiveness
//
// The formulas of draft-ietf-ippm-responsiveness-09, which is not an RFC.
//
// # Attribution
//
// Attribute says which part of the path a fault is in, and Tracker does so live;
// see there for the model and the rule that a slow answer of the near element does
// not prove the hop guilty.
//
// # Limits
//
// The E-model is a planning tool: MOS figures are estimates for an average
// listener, not measurements. It has no say about wide-band codecs. The number of
// users is by rate alone, on the assumption that all of them use the link evenly.
package quality
