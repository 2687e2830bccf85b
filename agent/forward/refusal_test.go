package forward

import (
	"fmt"
	"math"
	"net/http"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/prometheus/client_golang/prometheus"
)

// wide adds n series beside the rig's own.
func wide(r *rig, n int) {
	for i := range n {
		r.source.MustRegister(prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: fmt.Sprintf("candlemark_wide_%02d", i), Help: "Wide."}, func() float64 { return float64(i) + 0.5 }))
	}
}

// backedUp is a rig with six hours of 50 series waiting, and the receiver up again.
func backedUp(t *testing.T, rx *receiver, then func(r *rig)) {
	t.Helper()
	backedUpFrom(t, rx, func(*rig) {}, then)
}

// backedUpFrom has first look at the rig before anything runs.
func backedUpFrom(t *testing.T, rx *receiver, first, then func(r *rig)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		var down atomic.Bool
		down.Store(true)
		rx.before = func(int, *http.Request) (*http.Response, error) {
			if down.Load() {
				return respond(http.StatusServiceUnavailable, "")
			}
			return nil, nil
		}
		r := newRig(t, rx, nil)
		wide(r, 49)
		first(r)
		s := r.run(func() {
			time.Sleep(6 * time.Hour)
			down.Store(false)
			then(r)
		})
		t.Logf("%d requests, status %+v", len(rx.requests), s)
	})
}

func TestOnlyTheOffenderIsDropped(t *testing.T) {
	bad := `__name__="candlemark_wide_07" relay="stairwell"`
	for _, tt := range []struct {
		name    string
		refuse  func(start time.Time, series string, p point) string
		refused func(total int) int // samples, of the offending series
	}{
		{"one sample", func(start time.Time, series string, p point) string {
			if series == bad && p.ms == start.Add(time.Hour).UnixMilli() {
				return "invalid sample"
			}
			return ""
		}, func(int) int { return 1 }},
		{"one series", func(_ time.Time, series string, _ point) string {
			if series == bad {
				return "invalid label set"
			}
			return ""
		}, func(total int) int { return total }},
	} {
		t.Run(tt.name, func(t *testing.T) {
			var start atomic.Pointer[time.Time]
			requests := 0
			rx := &receiver{}
			rx.refuse = func(series string, p point) string { return tt.refuse(*start.Load(), series, p) }
			backedUpFrom(t, rx, func(r *rig) { start.Store(&r.start) }, func(r *rig) {
				requests = rx.asked()
				time.Sleep(2 * time.Hour)
				if n := rx.asked() - requests; n > 450 { // 160 without an offender
					t.Errorf("%d requests", n)
				}
				r.wantAll(5 * time.Minute)
				s := r.fwd.Status()
				want := tt.refused(len(rx.of(testSeries)))
				if int(s.Refused) != want {
					t.Errorf("%d samples dropped, want %d", s.Refused, want)
				}
				if got := len(rx.of(bad)); got != len(rx.of(testSeries))-want {
					t.Errorf("%d of the offender's samples arrived", got)
				}
				if other := len(rx.of(strings.Replace(bad, "07", "08", 1))); other != len(rx.of(testSeries)) {
					t.Errorf("%d of another's samples arrived, not %d", other, len(rx.of(testSeries)))
				}
				if !strings.Contains(s.LastRefusal, "answered 400 Bad Request: invalid") {
					t.Errorf("last refusal %q", s.LastRefusal)
				}
			})
		})
	}
}

// The receiver took part of a request before it failed: what it has is refused as
// a duplicate, and counts as delivered.
func TestADuplicateAfterASplitIsDelivered(t *testing.T) {
	rx := &receiver{}
	has := map[string]bool{}
	rx.refuse = func(series string, p point) string {
		if has[fmt.Sprint(series, p.ms)] {
			return "duplicate sample for timestamp"
		}
		return ""
	}
	backedUpFrom(t, rx, func(r *rig) {
		for _, minute := range []int{60, 61, 62} {
			has[fmt.Sprint(testSeries, r.start.Add(time.Duration(minute)*time.Minute).UnixMilli())] = true
		}
	}, func(r *rig) {
		time.Sleep(2 * time.Hour)
		if s := r.fwd.Status(); s.Duplicates != 3 || s.Refused != 0 {
			t.Errorf("status %+v", s)
		}
		if got := len(rx.of(testSeries)) + 3; got < r.wasRead()-8 {
			t.Errorf("%d of %d arrived", got, r.wasRead())
		}
	})
}

// A receiver whose newest sample is of an hour ago takes nothing older than that:
// the older part is dropped, and the remedy is said. Prometheus 2.42 says "too old
// sample" with a 500, which must not be tried for ever.
func TestAReceiverThatIsNotOpenToThePastIsToldOf(t *testing.T) {
	for _, words := range []string{"out of order sample", "out of bounds", "too old sample"} {
		t.Run(words, func(t *testing.T) {
			if testing.Short() && words != "too old sample" {
				t.Skip("one of three with -short")
			}
			rx := &receiver{}
			bound := int64(0)
			rx.refuse = func(_ string, p point) string {
				if p.ms < bound {
					return words
				}
				return ""
			}
			backedUpFrom(t, rx, func(r *rig) { bound = r.start.Add(5 * time.Hour).UnixMilli() }, func(r *rig) {
				from := rx.asked()
				time.Sleep(time.Hour)
				s := r.fwd.Status()
				if !strings.Contains(s.LastRefusal, "set out_of_order_time_window") || s.Waiting > 8 {
					t.Errorf("status %+v", s)
				}
				// With what was refused whole before, half a request of good ones goes too.
				if want := uint64(5 * 240 * 50); s.Refused < want-100 || s.Refused > want+1000 {
					t.Errorf("%d dropped, want about %d", s.Refused, want)
				}
				if n := rx.asked() - from; n > 300 {
					t.Errorf("%d requests to get past 30 that were refused", n)
				}
				got := rx.of(testSeries)
				if first := got[0].ms; first < bound || first > bound+300_000 {
					t.Errorf("the first that arrived is %d ms past what is taken", first-bound)
				}
			})
		})
	}
}

// A receiver that refuses everything is the one at fault: nothing is thrown away
// for an hour.
func TestAReceiverThatRefusesAllCostsNothingForAnHour(t *testing.T) {
	rx := &receiver{}
	var all atomic.Bool
	all.Store(true)
	rx.refuse = func(string, point) string {
		if all.Load() {
			return "decode error"
		}
		return ""
	}
	backedUp(t, rx, func(r *rig) {
		time.Sleep(50 * time.Minute)
		if s := r.fwd.Status(); s.Refused != 0 || !strings.Contains(s.LastError, "400") {
			t.Errorf("status %+v", s)
		}
		all.Store(false)
		time.Sleep(2 * time.Hour)
		r.wantAll(5 * time.Minute)
	})
	rx = &receiver{refuse: func(string, point) string { return "decode error" }}
	backedUp(t, rx, func(r *rig) {
		time.Sleep(3 * time.Hour)
		if s := r.fwd.Status(); s.Refused == 0 {
			t.Errorf("held for ever: %+v", s)
		}
	})
}

func TestCutLosesNothingAndKeepsEachSeriesInOrder(t *testing.T) {
	for _, tt := range []struct{ series, times int }{{1, 1}, {1, 2}, {1, 9}, {2, 1}, {7, 1}, {5, 4}, {13, 3}} {
		for _, byTime := range []bool{false, true} {
			var piece []sample
			for ms := range tt.times {
				for s := range tt.series {
					piece = append(piece, sample{fmt.Sprint("s", s), int64(ms), 1})
				}
			}
			if len(piece) < 2 {
				continue
			}
			first, second := cut(piece, byTime)
			if len(first) == 0 || len(second) == 0 || len(first)+len(second) != len(piece) {
				t.Fatalf("%+v by time %v: %d and %d", tt, byTime, len(first), len(second))
			}
			if skew := math.Abs(float64(len(first) - len(second))); skew > float64(max(tt.series, tt.times)) {
				t.Errorf("%+v by time %v: %d and %d", tt, byTime, len(first), len(second))
			}
			last := map[string]int64{}
			for _, s := range append(append([]sample(nil), first...), second...) {
				if before, ok := last[s.series]; ok && s.ms <= before {
					t.Fatalf("%+v by time %v: series %s goes back", tt, byTime, s.series)
				}
				last[s.series] = s.ms
			}
		}
	}
}
