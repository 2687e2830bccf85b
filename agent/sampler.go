package agent

import (
	"context"
	"time"

	"candlemark/agent/status"
	"candlemark/sensors"
)

// Source is where the readings of one pack come from.
type Source struct {
	Pack string
	// Open makes the sensor ready. It is called again, with back-off, after it
	// failed: a bus or chip may appear long after the start.
	Open  func() (sensors.Sensor, error)
	Every time.Duration
	// Temperature gives the pack's temperature in °C where something other than
	// the sensor knows it; nil when nothing does.
	Temperature func() (tempC float64, known bool)
	// Trouble counts the exchanges with the sensor that failed, those that a retry
	// mended too, and how often its settings had to be written again; nil for
	// sensors that count neither.
	Trouble func(sensors.Sensor) (failed, repairs uint64)
}

// The pause between tries of a sensor that does not answer grows from one
// sampling interval to this, so that a chip plugged in is read within seconds
// and an absent one costs next to nothing.
const sensorBackoffMost = 15 * time.Second

// sampler reads one pack for as long as the agent runs.
type sampler struct {
	src  Source
	line timeline
	emit func(context.Context, Event)
}

// run reads until ctx ends. A sensor that fails is reported and tried again; it
// is never a reason to stop.
func (s *sampler) run(ctx context.Context) error {
	var (
		sensor    sensors.Sensor
		counts    status.SensorCounts
		uncounted uint64 // failures that the sensor does not count itself
	)
	defer func() {
		if sensor != nil {
			sensor.Close()
		}
	}()
	every := s.line.scaled(s.src.Every)
	pause := every
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-timer.C:
		}
		began := time.Now()
		counts.Reads++
		var reading sensors.Reading
		var err error
		if sensor == nil {
			sensor, err = s.src.Open()
		}
		if err == nil {
			reading, err = sensor.Read()
		}
		if err != nil && (sensor == nil || s.src.Trouble == nil) {
			uncounted++
		}
		counts.Errors = uncounted
		if sensor != nil && s.src.Trouble != nil {
			failed, repairs := s.src.Trouble(sensor)
			counts.Errors += failed
			counts.Repairs = repairs
		}
		if err != nil {
			s.emit(ctx, ReadFailed{At: s.line.now(), Pack: s.src.Pack, Err: err.Error(), Counts: counts})
			timer.Reset(pause)
			pause = min(2*pause, max(sensorBackoffMost, every))
			continue
		}
		pause = every
		if s.src.Temperature != nil {
			reading.TempC, reading.TempKnown = s.src.Temperature()
		}
		s.emit(ctx, Read{At: s.line.of(reading.At), Pack: s.src.Pack, Reading: reading, Counts: counts})
		timer.Reset(max(every-time.Since(began), 0))
	}
}
