package quality

import (
	"errors"
	"fmt"
	"math"
)

// Codec is how speech is coded, with what the E-model needs to know of it.
type Codec struct {
	Name        string
	Ie, Bpl     float64
	PayloadBitS float64 // bit/s of speech
	FrameMs     float64 // speech in one packet
	LookaheadMs float64
	Source      string // of Ie and Bpl
}

// g113 is told of the codecs' figures as a rule of thumb, for they are those of that
// appendix from memory.
const g113 = RuleOfThumb + " after ITU-T G.113 appendix I"

// The codecs that calls are judged with.
func G711() Codec {
	return Codec{Name: "G.711 with loss concealment", Ie: 0, Bpl: 25.1, PayloadBitS: 64000, FrameMs: 20, Source: g113}
}

// G729A is the low-rate codec. Of Opus the E-model knows nothing.
func G729A() Codec {
	return Codec{Name: "G.729A, 8 kbit/s", Ie: 11, Bpl: 19, PayloadBitS: 8000, FrameMs: 20, LookaheadMs: 5, Source: g113}
}

// IPBitS is what one direction of a call takes at the IP layer: every packet adds
// 40 octets of IPv4, UDP and RTP headers.
func (c Codec) IPBitS() float64 { return c.PayloadBitS + 40*8*1000/c.FrameMs }

// Call is what a call over the link has to live with.
type Call struct {
	OneWayMs    float64 // of the network
	VariationMs float64 // 95th percentile of the delay above the least
	LossRatio   float64 // 0..1
	BurstR      float64 // 0 is taken as 1: losses come alone
}

// Voice is the E-model's rating of a call, and what was assumed on the way.
type Voice struct {
	Rating
	MouthToEarMs float64
	Assumptions  []string
}

// bufferPerVariation: an adaptive jitter buffer is taken to hold twice the 95th
// percentile of the delay variation and then to lose nothing by lateness.
const bufferPerVariation = 2

// RateCall rates a call with a codec. The delay is the network's plus one frame,
// look-ahead and jitter buffer.
func RateCall(call Call, c Codec) (Voice, error) {
	if !(call.OneWayMs >= 0) || !(call.VariationMs >= 0) || !(call.LossRatio >= 0 && call.LossRatio <= 1) {
		return Voice{}, errors.New("call: delay, variation or loss is not a sensible number")
	}
	if math.IsInf(call.OneWayMs, 0) || math.IsInf(call.VariationMs, 0) {
		return Voice{}, errors.New("call: delay or variation is infinite")
	}
	buffer := max(c.FrameMs, bufferPerVariation*call.VariationMs)
	e := DefaultEModel()
	e.Ta = call.OneWayMs + c.FrameMs + c.LookaheadMs + buffer
	e.T, e.Tr = e.Ta, 2*e.Ta
	e.Ie, e.Bpl, e.Ppl = c.Ie, c.Bpl, 100*call.LossRatio
	if call.BurstR > 0 {
		e.BurstR = call.BurstR
	}
	r, err := e.Rate()
	if err != nil {
		return Voice{}, err
	}
	return Voice{Rating: r, MouthToEarMs: e.Ta, Assumptions: []string{
		fmt.Sprintf("%s: Ie %g, Bpl %g (%s)", c.Name, c.Ie, c.Bpl, c.Source),
		fmt.Sprintf("mouth to ear %.0f ms: network %.0f, frame and look-ahead %g, jitter buffer %.0f (%d times the delay variation, at least a frame; rule of thumb)",
			e.Ta, call.OneWayMs, c.FrameMs+c.LookaheadMs, buffer, bufferPerVariation),
		"the delay of the network one way is half of the round trip: the clocks of both ends are not compared",
		fmt.Sprintf("echo is cancelled to TELR %g dB, and the other inputs have the defaults of ITU-T G.107, delay impairment Idd its own (not the shortcut of Cole and Rosenbluth)", e.TELR),
		fmt.Sprintf("burst ratio %g; nothing is lost by lateness", e.BurstR),
	}}, nil
}
