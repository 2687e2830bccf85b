// Package board reads this board's clocks for package clock, and keeps its verdict.
//
// Sources: adjtimex(2) (STA_UNSYNC: set by the kernel whenever the clock is set by
// hand, cleared by a time service); clock_gettime(2) (CLOCK_BOOTTIME counts what
// was slept); the kernel's Documentation/ABI/testing/sysfs-class-rtc.
package board

import (
	"fmt"
	"os"
	"strconv"
	"strings"
	"sync"
	"time"

	"golang.org/x/sys/unix"

	"candlemark/agent/clock"
)

// chipSlack is how far a clock chip, which counts whole seconds, may be off.
const chipSlack = 2 * time.Second

// Look reads the clocks. chip is the directory of a clock chip that the
// configuration vouches for, such as /sys/class/rtc/rtc0; "" is none.
func Look(boot, chip string) clock.Evidence {
	e := clock.Evidence{Boot: boot}
	e.Up, e.Wall = together()
	var tx unix.Timex
	state, err := unix.Adjtimex(&tx)
	e.Synchronised = err == nil && state != unix.TIME_ERROR && tx.Status&unix.STA_UNSYNC == 0
	if chip != "" && !e.Synchronised {
		says, err := chipTime(chip)
		e.ChipAgrees = err == nil && says.Sub(e.Wall).Abs() <= chipSlack
	}
	return e
}

// together reads uptime and wall clock as nearly at once as a busy board allows.
func together() (up time.Duration, wall time.Time) {
	const enough = 10 * time.Millisecond
	for range 5 {
		before := Uptime()
		wall = time.Now()
		up = Uptime()
		if up-before < enough {
			break
		}
	}
	return up, wall
}

// Uptime is the time since boot, with what was slept; 0 where the kernel has no such clock.
func Uptime() time.Duration {
	var ts unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_BOOTTIME, &ts); err != nil {
		return 0
	}
	return time.Duration(ts.Nano())
}

// chipTime reads a clock chip. A chip that lost its battery says so itself, and the kernel then refuses the read.
func chipTime(dir string) (time.Time, error) {
	text, err := os.ReadFile(dir + "/since_epoch")
	if err != nil {
		return time.Time{}, fmt.Errorf("clock chip: %w", err)
	}
	s, err := strconv.ParseInt(strings.TrimSpace(string(text)), 10, 64)
	if err != nil {
		return time.Time{}, fmt.Errorf("clock chip %s: %w", dir, err)
	}
	return time.Unix(s, 0), nil
}

// Keeper holds the verdict for all who ask. Safe from any goroutine.
type Keeper struct {
	boot string
	look func() clock.Evidence
	save func(clock.State)

	mu    sync.Mutex
	clock clock.Clock
	saved time.Duration // uptime of the last save
}

// saveEvery bounds how much of a quiet spell a restart forgets.
const saveEvery = 10 * time.Minute

// New returns the keeper of this boot's clock. look gives the evidence (Look), and
// save is handed what to keep whenever the verdict changes and every ten minutes.
func New(boot string, start clock.Clock, look func() clock.Evidence, save func(clock.State)) *Keeper {
	return &Keeper{boot: boot, look: look, save: save, clock: start}
}

// Known looks at the clocks and says whether the time of day is known.
func (k *Keeper) Known() bool {
	e := k.look()
	k.mu.Lock()
	defer k.mu.Unlock()
	k.settle(k.clock.Observe(e), e.Up)
	return k.clock.Source(k.boot) != clock.None
}

// Source says who knows the time.
func (k *Keeper) Source() clock.Source {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.clock.Source(k.boot)
}

// Set takes the operator's word for the present time.
func (k *Keeper) Set(wall time.Time) error {
	e := k.look()
	k.mu.Lock()
	defer k.mu.Unlock()
	next, err := k.clock.Set(k.boot, e.Up, wall)
	if err != nil {
		return err
	}
	k.settle(next, e.Up)
	return nil
}

// settle takes the next verdict, with the lock held.
func (k *Keeper) settle(next clock.Clock, up time.Duration) {
	news := next.Source(k.boot) != k.clock.Source(k.boot) || len(next.State().Eras) != len(k.clock.State().Eras) || moved(k.clock, next, k.boot, up)
	k.clock = next
	if news || up-k.saved >= saveEvery {
		k.saved = up
		k.save(next.State())
	}
}

func moved(from, to clock.Clock, boot string, up time.Duration) bool {
	a, _ := from.Wall(boot, up)
	b, _ := to.Wall(boot, up)
	return !a.Equal(b)
}

// Wall is the time of day at an uptime of a boot, where it is known.
func (k *Keeper) Wall(boot string, up time.Duration) (time.Time, bool) {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.clock.Wall(boot, up)
}

// Uptime is the present uptime, by the keeper's own look at the clocks.
func (k *Keeper) Uptime() time.Duration { return k.look().Up }
