package forward

import (
	"errors"
	"net"
	"net/http"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"
)

func TestTheTimeIsWaitedFor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, &receiver{}, nil)
		r.clock.set(false, 0)
		s := r.run(func() {
			time.Sleep(3 * time.Hour)
			if got := r.fwd.Status(); got.Requests != 0 || !strings.Contains(got.Held, "clock is not set") || got.OldestKnown {
				t.Errorf("status %+v", got)
			}
			r.clock.set(true, 0)
			time.Sleep(time.Hour)
		})
		r.wantAll(2 * time.Minute)
		if s.Held != "" || len(r.reads) < 4*240 {
			t.Errorf("%d reads, status %+v", len(r.reads), s)
		}
	})
}

// The operator set a clock a day ahead while the link was down. The time service
// comes back with the link: nothing goes out with the wrong time.
func TestATimeThatIsCorrectedBeforeAnythingWasSentIsTheOneSent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		rx := &receiver{}
		var down atomic.Bool
		down.Store(true)
		rx.before = func(int, *http.Request) (*http.Response, error) {
			if down.Load() {
				return nil, &net.OpError{Op: "dial", Err: errors.New("network is unreachable")}
			}
			return nil, nil
		}
		r := newRig(t, rx, nil)
		r.clock.set(true, 24*time.Hour)
		r.run(func() {
			time.Sleep(3 * time.Hour)
			r.clock.set(true, 0)
			down.Store(false)
			time.Sleep(time.Hour)
		})
		r.wantAll(2 * time.Minute)
	})
}

func TestSamplesThatCanHaveNoTimeAndOldOnesAreDroppedAndCounted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, &receiver{}, func(r *rig) { r.cfg.MaxAge = 2 * time.Hour })
		var down atomic.Bool
		down.Store(true)
		r.rx.before = func(int, *http.Request) (*http.Response, error) {
			if down.Load() {
				return nil, &net.OpError{Op: "dial", Err: errors.New("network is unreachable")}
			}
			return nil, nil
		}
		s := r.run(func() {
			time.Sleep(6 * time.Hour)
			down.Store(false)
			time.Sleep(time.Hour)
		})
		if s.Expired < 4*240-20 || s.Expired > 4*240+20 {
			t.Errorf("%d expired", s.Expired)
		}
		if got := r.rx.of(testSeries); len(got) < 3*240-40 {
			t.Errorf("%d arrived", len(got))
		}
	})
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, &receiver{}, nil)
		r.clock.boot, r.parts.Boot = "boot-2", "boot-2" // what the journal holds is of boot-1
		fwd, err := newForwarder(r.cfg.withDefaults(), r.parts, r.rx)
		if err != nil {
			t.Fatal(err)
		}
		r.fwd = fwd
		s := r.run(func() { time.Sleep(time.Hour) })
		if s.Undated < 230 || s.Requests != 0 {
			t.Errorf("status %+v", s)
		}
	})
}
