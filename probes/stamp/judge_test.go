package stamp

import (
	"testing"
	"time"

	"candlemark/probes"
)

// fate is what becomes of one packet in a made-up burst.
type fate struct {
	lostForth, lostBack bool
	forth, back         time.Duration
}

// made is a burst as a reflector would have left it. The reflector's clock is off
// by offset. A stateless one repeats the sender's numbers.
func made(fates []fate, closersLost int, stateless bool, offset time.Duration) *burst {
	b := &burst{cfg: Config{Timeout: time.Second}}
	start := time.Unix(1_700_000_000, 0)
	var count uint32
	answer := func(i int, s sent, f fate) sent {
		if f.lostForth {
			return s
		}
		seq := count
		if stateless {
			seq = uint32(i)
		}
		count++
		if f.lostBack {
			return s
		}
		there := s.at.Add(f.forth + offset)
		s.answered, s.arrived = true, s.at.Add(f.forth+f.back)
		s.reply = reply{seq: seq, stamp: ntp(there.UnixNano()), received: ntp(there.UnixNano()), error: ownError}
		return s
	}
	for i, f := range fates {
		at := start.Add(time.Duration(i) * 50 * ms)
		b.sent = append(b.sent, answer(i, sent{at: at, stamp: ntp(at.UnixNano())}, f))
	}
	if b.allAnswered() {
		return b
	}
	for i := range closers {
		at := start.Add(time.Minute)
		b.closers = append(b.closers, answer(i, sent{at: at}, fate{lostBack: i < closersLost}))
		if i >= closersLost {
			break
		}
	}
	return b
}

func TestLossIsLaidToItsDirection(t *testing.T) {
	gone, unheard, good := fate{lostForth: true}, fate{lostBack: true}, fate{}
	known := func(sent, lost int) probes.Direction {
		return probes.Direction{Sent: sent, Lost: lost, LossKnown: true}
	}
	var unknown probes.Direction
	for name, c := range map[string]struct {
		fates       []fate
		closersLost int
		stateless   bool
		forth, back probes.Direction
	}{
		"none":                             {[]fate{good, good, good}, 0, false, known(3, 0), known(3, 0)},
		"one there":                        {[]fate{good, gone, good, good}, 0, false, known(4, 1), known(3, 0)},
		"one back":                         {[]fate{good, unheard, good, good}, 0, false, known(4, 0), known(4, 1)},
		"the first there":                  {[]fate{gone, good, good}, 0, false, known(3, 1), known(2, 0)},
		"the last there":                   {[]fate{good, good, gone}, 0, false, known(3, 1), known(2, 0)},
		"the last back":                    {[]fate{good, good, unheard}, 0, false, known(3, 0), known(3, 1)},
		"both, at the end":                 {[]fate{good, good, unheard, gone, unheard}, 0, false, known(5, 1), known(4, 2)},
		"a closer lost, the end known":     {[]fate{good, gone, good}, 1, false, known(3, 1), known(2, 0)},
		"a closer lost, the end not":       {[]fate{good, good, gone}, 1, false, unknown, unknown},
		"all closers lost":                 {[]fate{good, gone, good}, 3, false, unknown, unknown},
		"stateless":                        {[]fate{good, gone, unheard, good, good}, 0, true, unknown, unknown},
		"stateless, a closer lost":         {[]fate{good, gone, gone}, 1, true, unknown, unknown},
		"stateless without loss":           {[]fate{good, good}, 0, true, known(2, 0), known(2, 0)},
		"nothing answered but the closers": {[]fate{gone, unheard}, 0, false, known(2, 1), known(1, 1)},
	} {
		forth, back := made(c.fates, c.closersLost, c.stateless, 0).losses()
		if forth != c.forth || back != c.back {
			t.Errorf("%s: forth %+v back %+v\nwant %+v, %+v", name, forth, back, c.forth, c.back)
		}
	}
}

func TestAReflectorThatCountsNonsenseTellsNoDirection(t *testing.T) {
	for name, spoil := range map[string]func(*burst){
		"more answers than packets": func(b *burst) { b.closers[0].reply.seq = 1000 },
		"fewer than came back":      func(b *burst) { b.closers[0].reply.seq = 1 },
		"a late answer":             func(b *burst) { b.sent[1].late = true },
	} {
		b := made([]fate{{}, {lostForth: true}, {}, {}, {}}, 0, false, 0)
		spoil(b)
		if forth, back := b.losses(); forth.LossKnown || back.LossKnown {
			t.Errorf("%s: forth %+v back %+v", name, forth, back)
		}
	}
}

// The transit times 100, 110, 105, 125, 100 ms, worked by hand: RFC 3550 section
// 6.4.1 gives J = 3.524017333984375 ms; RFC 3393 the differences +10, -5, +20, -25,
// mean absolute 15 ms; RFC 5481 the variations 0, 10, 5, 25, 0.
func TestVariationByDirectionWhateverTheOffsetOfTheClocks(t *testing.T) {
	transits := []time.Duration{100 * ms, 110 * ms, 105 * ms, 125 * ms, 100 * ms}
	for _, offset := range []time.Duration{0, 5 * time.Hour, -40 * 365 * 24 * time.Hour} {
		var there, here []fate
		for _, d := range transits {
			there = append(there, fate{forth: d, back: 30 * ms})
			here = append(here, fate{forth: 30 * ms, back: d})
		}
		for name, c := range map[string]struct {
			b             *burst
			varied, still func(probes.LatencyStats) probes.Direction
		}{
			"forth": {made(there, 0, false, offset), func(s probes.LatencyStats) probes.Direction { return *s.Forth }, func(s probes.LatencyStats) probes.Direction { return *s.Back }},
			"back":  {made(here, 0, false, offset), func(s probes.LatencyStats) probes.Direction { return *s.Back }, func(s probes.LatencyStats) probes.Direction { return *s.Forth }},
		} {
			s := c.b.stats()
			v, still := c.varied(s), c.still(s)
			near := func(got, want time.Duration) bool { return (got - want).Abs() <= 3 } // ns: NTP fractions are 0.23 ns
			if !v.VariationKnown || !near(v.Jitter, 3524017) || !near(v.PDVP95, 25*ms) || !near(v.IPDVMeanAbs, 15*ms) {
				t.Errorf("%s, clocks %v apart: %+v", name, offset, v)
			}
			if !still.VariationKnown || still.Jitter > 3 || still.PDVP95 > 3 || still.IPDVMeanAbs > 3 {
				t.Errorf("%s, clocks %v apart: the other direction varies: %+v", name, offset, still)
			}
			if s.Median != 135*ms || s.Min != 130*ms {
				t.Errorf("%s: round trips %v", name, s.RTTs)
			}
		}
	}
}

func TestTimestampsThatMakeNoSenseGiveNoVariation(t *testing.T) {
	for name, spoil := range map[string]func(*sent){
		"a clock that was set": func(s *sent) { s.reply.stamp += 5 << 32; s.reply.received += 5 << 32 },
		"another format":       func(s *sent) { s.reply.error |= truncatedPTP },
	} {
		b := made([]fate{{forth: 10 * ms}, {forth: 10 * ms}, {forth: 10 * ms}}, 0, false, 0)
		spoil(&b.sent[1])
		s := b.stats()
		if s.Forth.VariationKnown || s.Back.VariationKnown || s.Forth.IPDVKnown {
			t.Errorf("%s: %+v %+v", name, s.Forth, s.Back)
		}
		if !s.Forth.LossKnown || s.Median != 10*ms {
			t.Errorf("%s: the rest went too: %+v", name, s)
		}
	}
}

func TestTimeHeldIsTakenOffTheRoundTrip(t *testing.T) {
	at := time.Unix(1_700_000_000, 0)
	s := sent{at: at, arrived: at.Add(50 * ms), reply: reply{error: ownError, received: ntp(at.UnixNano()), stamp: ntp(at.Add(20 * ms).UnixNano())}}
	if got := s.roundTrip(); (got - 30*ms).Abs() > 3 { // ns, the resolution of the format
		t.Errorf("%v, want 30 ms", got)
	}
	s.reply.stamp = ntp(at.Add(60 * ms).UnixNano()) // held longer than the whole: not believed
	if got := s.roundTrip(); got != 50*ms {
		t.Errorf("%v, want 50 ms", got)
	}
}
