package agent

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"candlemark/sensors"
)

// scripted is a sensor that follows a script of errors; nil is a good reading.
type scripted struct {
	script []error
	n      int
	closed bool
}

func (s *scripted) Read() (sensors.Reading, error) {
	err := s.script[min(s.n, len(s.script)-1)]
	s.n++
	if err != nil {
		return sensors.Reading{}, err
	}
	return sensors.Reading{At: time.Now(), PackV: 18, PackA: 2}, nil
}
func (s *scripted) String() string { return "scripted" }
func (s *scripted) Close() error   { s.closed = true; return nil }

// sample runs a sampler for d and returns what it emitted, with the times.
func sample(t *testing.T, src Source, d time.Duration) (events []Event, at []time.Duration) {
	t.Helper()
	start := time.Now()
	s := &sampler{src: src, line: timeline{start: start, speed: 1}, emit: func(_ context.Context, e Event) {
		events = append(events, e)
		at = append(at, time.Since(start))
	}}
	ctx, cancel := context.WithTimeout(t.Context(), d)
	defer cancel()
	if err := s.run(ctx); err != nil {
		t.Fatal(err)
	}
	return events, at
}

func TestSensorThatComesAndGoesIsReadAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		nack := errors.New("ina219 i2c-1/0x40: read configuration: remote I/O error")
		sensor := &scripted{script: []error{nil, nil, nack, nack, nil}}
		events, at := sample(t, Source{Pack: "a", Every: time.Second, Open: func() (sensors.Sensor, error) { return sensor, nil }}, 8500*time.Millisecond)
		if !sensor.closed {
			t.Error("the sensor was left open")
		}
		kinds := ""
		for _, e := range events {
			switch e := e.(type) {
			case Read:
				kinds += "r"
			case ReadFailed:
				kinds += "f"
				if e.Err != nack.Error() {
					t.Errorf("error text %q lost the place", e.Err)
				}
			}
		}
		if kinds != "rrffrrrr" {
			t.Fatalf("events %s, want rrffrrrr, at %v", kinds, at)
		}
		// The pause doubles while nothing answers: 1 s after the first failure, 2 s after the second.
		if at[3]-at[2] != time.Second || at[4]-at[3] != 2*time.Second {
			t.Errorf("pauses after failures %s and %s, want 1s and 2s", at[3]-at[2], at[4]-at[3])
		}
		if last := events[len(events)-1].(Read); last.Counts.Errors != 2 || last.Counts.Reads != 8 {
			t.Errorf("counts %+v, want 8 reads and 2 errors", last.Counts)
		}
	})
}

func TestAbsentBusIsTriedWithGrowingPauses(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		events, at := sample(t, Source{Pack: "a", Every: time.Second, Open: func() (sensors.Sensor, error) {
			return nil, errors.New("open i2c-1: no such device")
		}}, 59*time.Second)
		if len(events) != 7 { // at 0, 1, 3, 7, 15, 30, 45 s
			t.Fatalf("%d tries at %v, want 7", len(events), at)
		}
		if longest := at[6] - at[5]; longest != sensorBackoffMost {
			t.Errorf("longest pause %s, want %s", longest, sensorBackoffMost)
		}
	})
}

func TestTroubleThatARetryMendedIsCounted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		opens := 0
		sensor := &scripted{script: []error{nil}}
		events, _ := sample(t, Source{Pack: "a", Every: time.Second,
			Open: func() (sensors.Sensor, error) {
				if opens++; opens == 1 {
					return nil, errors.New("open i2c-1: no such device")
				}
				return sensor, nil
			},
			Trouble: func(sensors.Sensor) (failed, repairs uint64) { return 5, 2 },
		}, 1500*time.Millisecond)
		if failed, ok := events[0].(ReadFailed); !ok || failed.Counts.Errors != 1 || failed.Counts.Repairs != 0 {
			t.Errorf("the bus that did not open is counted as %+v, want one error", events[0])
		}
		if read, ok := events[1].(Read); !ok || read.Counts.Errors != 6 || read.Counts.Repairs != 2 {
			t.Errorf("%+v, want 6 errors and 2 repairs", events[1])
		}
	})
}

func TestTemperatureOfTheOperatorReachesTheReading(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		events, _ := sample(t, Source{Pack: "a", Every: time.Second,
			Open:        func() (sensors.Sensor, error) { return &scripted{script: []error{nil}}, nil },
			Temperature: func() (float64, bool) { return -7, true },
		}, 500*time.Millisecond)
		if r := events[0].(Read).Reading; !r.TempKnown || r.TempC != -7 {
			t.Errorf("temperature %v known %v, want -7 °C", r.TempC, r.TempKnown)
		}
	})
}
