package main

import (
	"fmt"
	"math"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"periph.io/x/conn/v3/i2c"

	"candlemark/agent/journal"
	"candlemark/sensors/ina219/ina219test"
)

// chipConfig is a pack on a chip: a 5-series lithium-ion pack on a 20 mΩ shunt.
func chipConfig(name string, bus int, address uint16) string {
	return fmt.Sprintf(`  - name: %s
    chemistry: li-ion
    series_cells: 5
    capacity: 5Ah
    sensor: {bus: i2c-%d, address: 0x%02x, shunt: 20mΩ, shunt_rating: 3W, largest_load: 6A}
    sample_every: 200ms
    stale_after: 2s
`, name, bus, address)
}

const shuntOhm = 0.02

func TestStaticProgramReadsARealBusPathAndExportsTheTruth(t *testing.T) {
	t.Parallel()
	chip := ina219test.New(0x40, shuntOhm)
	const busV, amps = 18.52, 2.5
	chip.Set(busV, amps)
	p := runProgram(t, "relay: stair\npacks:\n"+chipConfig("terminal", 1, 0x40), map[int]i2c.Bus{1: ina219test.NewBus("i2c-1", chip)})
	p.waitFor("a voltage", startWithin, func() bool {
		_, ok := p.scrape().pack("pack_voltage_volts", "terminal")
		return ok
	})
	s := p.scrape()
	// The bus pin is on the load side, so the pack's voltage is that and the shunt's.
	const packV = busV + amps*shuntOhm
	for _, q := range []struct {
		name, bound string
		truth, step float64
	}{
		{"voltage_volts", "voltage_error_volts", packV, 0.004},     // a step of the bus register (SBOS448F page 30)
		{"current_amperes", "current_error_amperes", amps, 0.0005}, // a step of the shunt register, 10 µV, on 20 mΩ
		{"power_watts", "power_error_watts", packV * amps, 0.02},   // both steps
	} {
		got, ok := s.pack("pack_"+q.name, "terminal")
		bound, known := s.pack("pack_"+q.bound, "terminal")
		if !ok || !known || math.Abs(got-q.truth) > q.step || math.Abs(got-q.truth) > bound || bound > 0.05*q.truth {
			t.Errorf("%s: %g (%v) within ± %g (%v), want %g", q.name, got, ok, bound, known, q.truth)
		}
	}
	if up, _ := s.pack("sensor_up", "terminal"); up != 1 || s.alarm("sensor_stale", "terminal") {
		t.Errorf("sensor_up %g, sensor_stale %v", up, s.alarm("sensor_stale", "terminal"))
	}
	if got := p.status(); !strings.Contains(got, "18.57 V  2.50 A  46.4 W") {
		t.Errorf("status says\n%s", got)
	}
	p.stop(syscall.SIGTERM)
	if _, err := os.Stat(p.socket); err == nil {
		t.Error("the control socket is left behind")
	}
}

// One agent with one good sensor and all the others ill: none disturbs another,
// each is told in the log, by status, in the metrics and by an alarm, and none
// has a figure.
func TestSensorsThatAreAbsentOrSpeakNonsenseAreToldAndNotBelieved(t *testing.T) {
	t.Parallel()
	good, garbled := ina219test.New(0x40, shuntOhm), ina219test.New(0x42, shuntOhm)
	good.Set(18, 2)
	garbled.Set(18, 2)
	noise := rand.New(rand.NewPCG(7, 7))
	garbled.Garbage(func(byte) uint16 { return uint16(noise.Uint32()) })
	bus := ina219test.NewBus("i2c-1", good, garbled)
	p := runProgram(t, "relay: stair\npacks:\n"+chipConfig("good", 1, 0x40)+chipConfig("no-chip", 1, 0x41)+
		chipConfig("garbled", 1, 0x42)+chipConfig("no-bus", 7, 0x40), map[int]i2c.Bus{1: bus})

	ill := map[string]string{
		"no-chip": `ina219 i2c-1/0x41: write calibration: .*remote I/O error`,
		"garbled": `ina219 i2c-1/0x42: (check settings: the chip does not hold them: .*|read bus voltage: 0x.* cannot be a bus voltage)`,
		"no-bus":  `ina219 i2c-7/0x40: open bus: open /dev/i2c-7: no such file or directory`,
	}
	p.waitFor("an alarm for each ill sensor", startWithin, func() bool {
		s := p.scrape()
		for name := range ill {
			if !s.alarm("sensor_stale", name) {
				return false
			}
		}
		_, ok := s.pack("pack_voltage_volts", "good")
		return ok
	})
	s, told := p.scrape(), p.status()
	for name, cause := range ill {
		for _, figure := range []string{"pack_voltage_volts", "pack_current_amperes", "pack_power_watts", "pack_runtime_seconds", "pack_charge_ratio"} {
			if v, ok := s.pack(figure, name); ok {
				t.Errorf("%s: %s is %g, and nothing was measured", name, figure, v)
			}
		}
		if up, ok := s.pack("sensor_up", name); !ok || up != 0 {
			t.Errorf("%s: sensor_up %g (%v), want 0", name, up, ok)
		}
		if n, _ := s.pack("sensor_errors_total", name); n < 1 {
			t.Errorf("%s: %g errors counted", name, n)
		}
		if !regexp.MustCompile(`(?m)^pack ` + name + `\s+no reading: ` + cause + `$`).MatchString(told) {
			t.Errorf("%s: status does not say %s:\n%s", name, cause, told)
		}
		if !regexp.MustCompile(`warning sensor_stale: pack ` + name + ` is not being measured.*\n  do: treat the time left as unknown`).MatchString(told) {
			t.Errorf("%s: status has no alarm with its action:\n%s", name, told)
		}
		p.waitSaid(`WRN .*pack ` + name + ` is not being measured`)
		p.waitSaid(`WRN not read: ` + cause + ` kind=sensor subject=` + name)
	}
	if v, ok := s.pack("pack_voltage_volts", "good"); !ok || math.Abs(v-18.04) > 0.004 || s.alarm("sensor_stale", "good") {
		t.Errorf("the good sensor reads %g V (%v)", v, ok)
	}
	if code, body := p.get("/health"); code != http.StatusServiceUnavailable || !strings.Contains(body, "no reading yet") {
		t.Errorf("health is %d: %s", code, body)
	}
	if code, page := p.get("/"); code != http.StatusOK || !strings.Contains(page, "no-chip") {
		t.Errorf("the page is %d: %s", code, page)
	}

	// A chip that is plugged in later is found without a restart.
	late := ina219test.New(0x41, shuntOhm)
	late.Set(17, 1)
	bus.Attach(late)
	p.waitFor("the late chip", startWithin, func() bool {
		v, ok := p.scrape().pack("pack_voltage_volts", "no-chip")
		return ok && math.Abs(v-17.02) < 0.004
	})
	p.waitSaid(`INF read again kind=sensor subject=no-chip`)
	p.stop(syscall.SIGTERM)
}

func TestSensorThatFailsInMidTransferComesBackAndABrownOutIsRepaired(t *testing.T) {
	t.Parallel()
	chip, other := ina219test.New(0x40, shuntOhm), ina219test.New(0x40, shuntOhm)
	chip.Set(18, 2)
	other.Set(16, 1)
	bus := ina219test.NewBus("i2c-1", chip)
	p := runProgram(t, "relay: stair\npacks:\n"+chipConfig("shaky", 1, 0x40)+chipConfig("browned", 2, 0x40),
		map[int]i2c.Bus{1: bus, 2: ina219test.NewBus("i2c-2", other)})
	reads := func(name string) float64 { n, _ := p.scrape().pack("sensor_reads_total", name); return n }
	p.waitFor("readings", startWithin, func() bool { return reads("shaky") > 2 && reads("browned") > 2 })

	// One exchange without acknowledge: mended by a retry, counted, no gap.
	bus.FailAt(3, ina219test.ErrNACK)
	p.waitFor("the error to be counted", startWithin, func() bool {
		n, _ := p.scrape().pack("sensor_errors_total", "shaky")
		return n == 1
	})
	if up, _ := p.scrape().pack("sensor_up", "shaky"); up != 1 {
		t.Error("one missing acknowledge made the sensor fail")
	}

	// A power-on reset of the chip: its settings are written again, and counted.
	other.PowerCycle()
	p.waitFor("the repair", startWithin, func() bool {
		n, _ := p.scrape().pack("sensor_repairs_total", "browned")
		return n == 1
	})
	if v, ok := p.scrape().pack("pack_current_amperes", "browned"); !ok || math.Abs(v-1) > 0.0005 {
		t.Errorf("after the reset %g A (%v), want 1 A", v, ok)
	}

	// A bus held low for longer than stale_after: an alarm and no figure, then all is well again.
	bus.FailAll(ina219test.ErrNACK)
	p.waitFor("the alarm", startWithin, func() bool { return p.scrape().alarm("sensor_stale", "shaky") })
	if v, ok := p.scrape().pack("pack_voltage_volts", "shaky"); ok {
		t.Errorf("an old reading of %g V is shown as the present", v)
	}
	if told := p.status(); !regexp.MustCompile(`(?m)^pack shaky .* STALE, \d+ s old`).MatchString(strings.ReplaceAll(told, "s old", " s old")) {
		t.Errorf("status does not call the reading stale:\n%s", told)
	}
	bus.FailAll(nil)
	p.waitFor("the alarm to clear", startWithin, func() bool { return !p.scrape().alarm("sensor_stale", "shaky") })
	p.waitSaid(`alarm cleared: pack shaky`)
	if v, ok := p.scrape().pack("pack_voltage_volts", "shaky"); !ok || math.Abs(v-18.04) > 0.004 {
		t.Errorf("after the recovery %g V (%v), want 18.04 V", v, ok)
	}
	p.stop(syscall.SIGTERM)
}

const simulatedConfig = `relay: stair
packs:
  - {name: a, chemistry: li-ion, series_cells: 5, capacity: 5Ah, sensor: {kind: simulated}}
`

func TestPortInUseIsSaidWithWhatToDo(t *testing.T) {
	t.Parallel()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	file, _ := writeConfig(t, l.Addr().String(), simulatedConfig)
	p := launch(t, nil, "run", "--config", file)
	if code := p.exitCode(startWithin); code != exitFailure {
		t.Errorf("exit code %d, want %d", code, exitFailure)
	}
	if want := "the port is in use by another program; end it or set another address"; strings.Count(p.out.String(), want) != 1 {
		t.Errorf("not said exactly once: %s", want)
	}
}

func TestJournalHeldByAnotherProcessIsSaid(t *testing.T) {
	t.Parallel()
	file, _ := writeConfig(t, "127.0.0.1:0", simulatedConfig)
	j, err := journal.Open(filepath.Join(filepath.Dir(file), "journal.db"), journal.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	start := time.Now()
	p := launch(t, nil, "run", "--config", file)
	if code := p.exitCode(startWithin); code != exitFailure || time.Since(start) > startWithin/2 {
		t.Errorf("exit code %d after %s, want %d", code, time.Since(start), exitFailure)
	}
	if !regexp.MustCompile(`journal\.db: in use \(.*process ` + fmt.Sprint(os.Getpid()) + `.*another agent runs on this board`).MatchString(p.out.String()) {
		t.Error("does not say who holds the journal")
	}
}
