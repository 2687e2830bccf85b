package trace

import (
	"fmt"
	"io"
	"time"

	"candlemark/sensors"
)

// Sensor plays a trace as if a sensor had read it. Each Read gives the next row
// at once, its time being start plus the row's time since the first row, and
// after the last row an error that is io.EOF. Error bounds are unknown and 0.
type Sensor struct {
	rows  []Row
	next  int
	start time.Time
	name  string
}

var _ sensors.Sensor = (*Sensor)(nil)

// NewSensor plays rows from start on.
func NewSensor(rows []Row, start time.Time, name string) *Sensor {
	return &Sensor{rows: rows, start: start, name: name}
}

// Read returns the next row.
func (s *Sensor) Read() (sensors.Reading, error) {
	if s.next >= len(s.rows) {
		return sensors.Reading{}, fmt.Errorf("%s: %w", s, io.EOF)
	}
	row := s.rows[s.next]
	s.next++
	return sensors.Reading{
		At:    s.start.Add(row.T - s.rows[0].T),
		PackV: row.PackV, PackA: row.PackA, BusV: row.PackV,
		TempC: row.TempC, TempKnown: row.TempKnown,
	}, nil
}

// String names the sensor: "trace run.csv".
func (s *Sensor) String() string { return "trace " + s.name }

// Close has nothing to free.
func (s *Sensor) Close() error { return nil }
