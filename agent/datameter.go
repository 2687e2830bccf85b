package agent

import (
	"sync"

	"candlemark/agent/schedule"
)

// DataMeter stands between forwarding, which uses data at any moment, and the step,
// which counts them once a second. Safe for many goroutines.
type DataMeter struct {
	mu      sync.Mutex
	left    int64 // for forwarding, as of the last step
	untold  schedule.Bytes
	telling schedule.Bytes // on their way to the step
}

// Used counts data of forwarding; late says that they catch up. It never waits.
func (m *DataMeter) Used(bytes int64, late bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if late {
		m.untold.CatchingUp += max(bytes, 0)
	} else {
		m.untold.Sending += max(bytes, 0)
	}
}

// Room says whether forwarding may use so many bytes more. It never waits.
func (m *DataMeter) Room(bytes int64) bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	left := m.left - m.untold.Total() - m.telling.Total()
	return bytes <= left
}

// take gives what is to be told to the step; what it comes to is still held back
// from Room until settle.
func (m *DataMeter) take() schedule.Bytes {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.telling, m.untold = m.untold, schedule.Bytes{}
	return m.telling
}

// settle takes what the step says is left once it has counted all it was told.
func (m *DataMeter) settle(left int64, _ bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.left, m.telling = left, schedule.Bytes{}
}
