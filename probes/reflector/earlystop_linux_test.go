package reflector

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"testing"
	"time"

	"candlemark/probes"
	"candlemark/probes/probetest/emulink"
)

// condition is a link whose rate may wander: drawn evenly from ±20 % again and
// again.
type condition struct {
	mbitS  float64
	hold   time.Duration // 0 is steady
	assert bool
}

func (c condition) String() string {
	if c.hold == 0 {
		return fmt.Sprintf("%3.0f Mbit/s 40 ms steady", c.mbitS)
	}
	return fmt.Sprintf("%3.0f Mbit/s 40 ms ±20 %% every %v", c.mbitS, c.hold)
}

func (c condition) link(t *testing.T, seed uint64) *emulink.Link {
	w := emulink.Way{RateBitS: c.mbitS * 1e6, Delay: 20 * ms, QueueBytes: int(c.mbitS * 1e6 * 0.040 / 8)}
	if c.hold > 0 {
		w.WanderRatio, w.WanderHold = 0.2, c.hold
	}
	l := emulink.New(t, emulink.Symmetric(w, seed))
	startFar(t, l)
	return l
}

// over runs one download over a link and gives its slots, in bytes, besides.
func over(t *testing.T, l *emulink.Link, fixed bool, deadline time.Duration) (d *probes.Transfer, slots []float64) {
	t.Helper()
	p, err := newProber(Config{
		Name: "far", Section: probes.Hop, Reflector: fmt.Sprintf("http://%v:%d", l.B.Addr, DefaultPort), Token: testToken,
		Down: true, Fixed: fixed, Deadline: deadline, Dial: l.A.DialContext, MaxBytes: 4e9,
	})
	if err != nil {
		t.Fatal(err)
	}
	p.record = func(s []float64, unit float64) {
		for _, v := range s {
			slots = append(slots, v*unit)
		}
	}
	r := p.Probe(t.Context())
	if r.Err != nil {
		t.Fatal(r.Err)
	}
	return r.Throughput.DownDetail, slots
}

// used is the share of its capacity that a link carried. A link that the machine
// held up is not the one that the condition names; its recording does not count.
func used(before, after emulink.Counters) float64 {
	return 8 * float64(after.Bytes()-before.Bytes()) / (after.CapacityBits - before.CapacityBits)
}

const (
	fixedSlots = 200                   // 10 s
	inFlight   = 80 * time.Millisecond // round trip and queue: crosses the link after the stop
	loadedRTT  = inFlight
)

// replay holds the stopping rule against a run of 10 s: the share of its bytes that
// would have been spent, and the figure's error against that of the whole.
func replay(slots []float64) (share, err float64) {
	whole, _ := judgeSlots(slots[:fixedSlots])
	var all float64
	for _, v := range slots[:fixedSlots] {
		all += v
	}
	var spent float64
	for n := range fixedSlots {
		spent += slots[n]
		s, ok := judgeSlots(slots[:n+1])
		if ok && (s.known(loadedRTT) || s.dear(slots[:n+1], loadedRTT)) || n == fixedSlots-1 {
			spent += s.mean * inFlight.Seconds() / slotTime.Seconds()
			return spent / all, s.mean/whole.mean - 1
		}
	}
	panic("unreachable")
}

// TestEarlyStop takes about a quarter of an hour. Of each condition it records real runs of 30 s,
// puts 100 runs of 10 s together from the beginning of one and a stretch of another,
// and replays the stopping rule on them; besides it makes some early stops for real,
// each followed by a fixed run.
func TestEarlyStop(t *testing.T) {
	if os.Getenv("CANDLEMARK_LONG") == "" {
		t.Skip("set CANDLEMARK_LONG=1")
	}
	var table []string
	for _, c := range []condition{
		{20, 0, true}, {100, 0, true}, {20, 200 * ms, true}, {100, 200 * ms, true},
		{20, time.Second, false}, // no rule can know the mean of 10 s from two draws of a second
	} {
		t.Run(c.String(), func(t *testing.T) {
			var recorded [][]float64
			for i := 0; len(recorded) < 3; i++ {
				if i == 20 {
					t.Fatalf("the machine let the link alone in only %d of %d recordings", len(recorded), i)
				}
				t.Run("record", func(t *testing.T) {
					l := c.link(t, uint64(10+i))
					before := l.BtoA()
					_, slots := over(t, l, true, 30*time.Second)
					used := used(before, l.BtoA())
					t.Logf("the link carried %.1f %% of what it could", 100*used)
					if used >= 0.93 { // setting up and slow start take some 2 % of 30 s
						recorded = append(recorded, slots)
					}
				})
			}
			r := rand.New(rand.NewPCG(1, 1))
			var shares, errs []float64
			good := 0
			for range 100 {
				start, rest := recorded[r.IntN(len(recorded))], recorded[r.IntN(len(recorded))]
				const ramp = 20 // slots: the first second is the start's own
				at := ramp + r.IntN(len(rest)-fixedSlots-ramp)
				share, err := replay(slices.Concat(start[:ramp], rest[at:at+fixedSlots-ramp]))
				shares, errs = append(shares, share), append(errs, math.Abs(err))
				if math.Abs(err) <= tolerance {
					good++
				}
			}
			slices.Sort(shares)
			slices.Sort(errs)
			mean, beyond := 0.0, 0
			for _, s := range shares {
				mean += s / 100
				if s > 0.25 {
					beyond++
				}
			}
			line := fmt.Sprintf("%-36v | within ±10 %%: %3d of 100, 95th percentile of error %4.1f %% | bytes: mean %4.1f %%, 95th percentile %4.1f %%, most %4.1f %% of the fixed run, over a quarter %d of 100",
				c, good, 100*errs[94], 100*mean, 100*shares[94], 100*shares[99], beyond)
			if c.assert && (good < 95 || mean > 0.25 || beyond > 5) {
				t.Error(line)
			}

			for i := range 3 {
				t.Run("real", func(t *testing.T) {
					l := c.link(t, uint64(90+i))
					begin := l.BtoA()
					early, _ := over(t, l, false, 10*time.Second)
					middle := l.BtoA()
					fixed, _ := over(t, l, true, 10*time.Second)
					end := l.BtoA()
					line += fmt.Sprintf("\n      real: %6.2f ±%4.1f %% in %.1f s, fixed %6.2f (link used to %.0f %%): %+5.1f %%, %4.1f %% of its bytes by the link's account",
						early.BitS/1e6, 100*early.HalfWidth, early.Elapsed.Seconds(), fixed.BitS/1e6, 100*used(middle, end),
						100*(early.BitS/fixed.BitS-1), 100*float64(middle.Bytes()-begin.Bytes())/float64(end.Bytes()-middle.Bytes()))
				})
			}
			table = append(table, line)
			t.Log(line)
		})
	}
	for _, line := range table {
		t.Log(line)
	}
}
