package throughput

import (
	"fmt"
	"sync"
	"time"
)

const (
	sampleEvery  = 5 * time.Millisecond
	rampUpShare  = 4 // a quarter of the time is ramp-up,
	rampUpMost   = 2 * time.Second
	shortestTime = 100 * time.Millisecond
	stallAtLeast = 500 * time.Millisecond
)

// meter keeps payload bytes over time.
type meter struct {
	start time.Time

	mu      sync.Mutex
	total   int64
	samples []sample
	arrived time.Duration // when the last payload came
}

// sample is the running total from a moment on.
type sample struct {
	at    time.Duration
	total int64
}

// add counts n payload bytes, or takes -n back.
func (m *meter) add(n int64, now time.Time) {
	if n == 0 {
		return
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	at := now.Sub(m.start)
	m.total += n
	if n > 0 {
		m.arrived = at
	}
	if last := len(m.samples) - 1; last >= 0 && at-m.samples[last].at < sampleEvery {
		m.samples[last].total = m.total
		return
	}
	m.samples = append(m.samples, sample{at, m.total})
}

// figure is what a direction carried in the measured time.
type figure struct {
	bytes int64
	time  time.Duration
}

func (f figure) bitsPerSecond() float64 { return 8 * float64(f.bytes) / f.time.Seconds() }

// figure closes the account at end. It gives none where nothing came, where the
// transfer stopped moving for more than half its time, and where the time is too
// short to divide by.
func (m *meter) figure(end time.Time) (figure, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return rate(m.samples, m.arrived, end.Sub(m.start))
}

// rate is the mean over the time from the first payload, less the ramp-up, to the
// end. What the first samples hold came before the measured time began.
func rate(samples []sample, arrived, end time.Duration) (figure, error) {
	if len(samples) == 0 || samples[len(samples)-1].total <= 0 {
		return figure{}, fmt.Errorf("no test data in %.1f s", end.Seconds())
	}
	total := samples[len(samples)-1].total
	first := samples[0].at
	moving := end - first
	if silent := end - arrived; silent >= stallAtLeast && silent > moving/2 {
		return figure{}, fmt.Errorf("stalled: nothing in the last %.1f s, after %d bytes", silent.Seconds(), total)
	}
	if moving < shortestTime {
		return figure{}, fmt.Errorf("%d bytes in %d ms are too few to measure", total, moving.Milliseconds())
	}
	from := first + min(moving/rampUpShare, rampUpMost)
	var before int64
	for _, s := range samples {
		if s.at > from {
			break
		}
		before = s.total
	}
	if total <= before {
		return figure{}, fmt.Errorf("stalled: nothing in the last %.1f s, after %d bytes", (end - arrived).Seconds(), total)
	}
	return figure{bytes: total - before, time: end - from}, nil
}
