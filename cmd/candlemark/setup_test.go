package main

import (
	"bytes"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"periph.io/x/conn/v3/i2c"

	"candlemark/sensors/ina219/ina219test"
)

// chipAt is a bus with one sensor on it, whose pack gives 18.52 V and 2.5 A behind a 20 mΩ shunt.
func chipAt(address uint16) i2c.Bus {
	chip := ina219test.New(address, shuntOhm)
	chip.Set(18.52, 2.5)
	return ina219test.NewBus("i2c-1", chip)
}

// What is wrong with a board's bus, and the remedy that somebody who sees the
// sensor for the first time must be told. A nil bus may not be opened.
type busFaultCase struct {
	name  string
	buses map[int]i2c.Bus
	// setup and selfCheck are what each command says; "" where it finds no fault.
	setup, selfCheck string
}

func busFaultCases() []busFaultCase {
	return []busFaultCase{
		{name: "the sensor is there", buses: map[int]i2c.Bus{1: chipAt(0x40)}},
		{
			name: "no sensor answers", buses: map[int]i2c.Bus{1: ina219test.NewBus("i2c-1")},
			setup:     `no INA219 answers on i2c-1 at 0x40: check its supply \(3\.3 V\), SDA, SCL and ground, and the address`,
			selfCheck: `nothing answers on i2c-1 at 0x40\n\s+→ check the chip's supply, SDA, SCL and ground`,
		},
		{
			name: "the sensor has another address", buses: map[int]i2c.Bus{1: chipAt(0x41)},
			setup:     `no INA219 answers at 0x40, but one does on i2c-1 at 0x41: give that --address, or set the pads A0 and A1`,
			selfCheck: `nothing answers on i2c-1 at 0x40\n\s+→ a sensor answers at 0x41: correct address, or the pads A0 and A1`,
		},
		{
			name: "this user may not open the bus", buses: map[int]i2c.Bus{1: nil},
			setup:     `i2c-1: .*permission denied.*add it to the group i2c \(usermod -aG i2c NAME\)`,
			selfCheck: `i2c-1: .*permission denied\n\s+→ let this user open the bus: add it to the group i2c`,
		},
		{
			// Bus 1 is the machine's own, which has none or no business here: another number is asked for.
			name: "there is no such bus", buses: map[int]i2c.Bus{7: chipAt(0x40)},
			setup:     `i2c-97: .*no such file or directory.*switch I2C on in the board's firmware settings and load the module i2c-dev`,
			selfCheck: `i2c-97: .*no such file or directory\n\s+→ switch I2C on in the board's firmware settings`,
		},
	}
}

func (c busFaultCase) bus() string {
	if _, ok := c.buses[1]; ok {
		return "1"
	}
	return "97"
}

func TestSetupSaysWhatIsWrongWithTheBusAndWhatToDo(t *testing.T) {
	t.Parallel()
	for _, c := range busFaultCases() {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			out := filepath.Join(t.TempDir(), "candlemark.yaml")
			args := []string{"setup", "--yes", "--bus", c.bus(), "--address", "0x40", "--chemistry", "li-ion", "--series-cells", "5", "--capacity", "5Ah",
				"--shunt", "20mOhm", "--shunt-rating", "3W", "--largest-load", "6A", "--hop", "127.0.0.1", "--out", out}
			p := launch(t, c.buses, args...)
			code := p.exitCode(startWithin)
			if c.setup != "" {
				if code != exitFailure || !regexp.MustCompile(c.setup).MatchString(p.out.String()) {
					t.Errorf("exit code %d, and does not say %s", code, c.setup)
				}
				if strings.Count(p.out.String(), "--without-sensor") != 1 {
					t.Error("does not say how to go on without a sensor")
				}
				if _, err := os.Stat(out); err == nil {
					t.Error("a configuration was written all the same")
				}
				return
			}
			// 18.52 V on the load's side and 2.5 A × 20 mΩ are 18.57 V at the pack.
			for _, want := range []string{`found a sensor on i2c-1 at 0x40`, `reading: 18\.57 V ±\d+\.\d+, 2\.500 A ±\d+\.\d+, 46\.4 W`, `written: ` + regexp.QuoteMeta(out), `candlemark self-check --config`} {
				if !regexp.MustCompile(want).MatchString(p.out.String()) {
					t.Errorf("does not say %s", want)
				}
			}
			if code != 0 {
				t.Errorf("exit code %d", code)
			}
			check := launch(t, nil, "check-config", out)
			if code := check.exitCode(startWithin); code != 0 {
				t.Errorf("check-config refuses what setup wrote: %d", code)
			}
		})
	}
}

func TestSelfCheckSaysWhatIsWrongWithTheBusAndWhatToDo(t *testing.T) {
	t.Parallel()
	for _, c := range busFaultCases() {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			text := strings.Replace(chipConfig("terminal", 1, 0x40), "i2c-1", "i2c-"+c.bus(), 1)
			file, _ := writeConfig(t, "127.0.0.1:0", "relay: stair\npacks:\n"+text)
			p := launch(t, c.buses, "self-check", "--config", file)
			code := p.exitCode(startWithin)
			want, wantCode := `(?m)^fault   sensor of pack terminal +.*`+c.selfCheck, exitFailure
			if c.selfCheck == "" {
				want, wantCode = `(?m)^good    sensor of pack terminal +18\.57 V ±\d+\.\d+, 2\.500 A`, 0
			}
			if code != wantCode || !regexp.MustCompile(want).MatchString(p.out.String()) {
				t.Errorf("exit code %d, want %d, and %s", code, wantCode, want)
			}
		})
	}
}

// What somebody types who answers question by question, with one answer that is
// no answer; and that nobody's configuration is lost.
func TestSetupAsksAndKeepsWhatIsThere(t *testing.T) {
	out := filepath.Join(t.TempDir(), "candlemark.yaml")
	answers := strings.Join([]string{
		"stairwell", "second floor: by the door", "", "lfp", "4", "20Ah", "", "", "20mOhm", "2W", "6A", "192.0.2.1", "", "",
	}, "\n") + "\n"
	setup := func(answers string, more ...string) (string, error) {
		var b bytes.Buffer
		root := newRoot()
		root.SetIn(strings.NewReader(answers))
		root.SetOut(&b)
		root.SetErr(&b)
		root.SetArgs(append([]string{"setup", "--bus", "97", "--without-sensor", "--out", out}, more...))
		err := root.Execute()
		return b.String(), err
	}
	// The package's own default is nobody's work.
	packaged, err := os.ReadFile("../../deploy/candlemark.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(out, packaged, 0o640); err != nil {
		t.Fatal(err)
	}
	if said, err := setup(answers); err != nil {
		t.Fatalf("%v\n%s", err, said)
	}
	cfg, err := load(out)
	if err != nil {
		t.Fatal(err)
	}
	if p := cfg.Packs[0]; cfg.Relay != "stairwell" || cfg.Site != "second floor: by the door" || string(p.Chemistry) != "lfp" || p.SeriesCells != 4 || len(cfg.Targets) != 1 {
		t.Errorf("written: %+v", cfg)
	}
	if _, err := setup(answers); err == nil || !strings.Contains(err.Error(), "exists already") {
		t.Errorf("a configuration was written over: %v", err)
	}
	if _, err := setup("gym\n", "--force"); err == nil || !strings.Contains(err.Error(), "not answered to the end") {
		t.Errorf("answers that end too soon: %v", err)
	}
	if after, err := load(out); err != nil || after.Relay != "stairwell" {
		t.Errorf("an aborted setup changed the configuration: %v, %v", after, err)
	}
}

// No file is written, so a line of it would tell nobody anything.
func TestSetupNamesTheFlagOfAnAnswerThatDoesNotHold(t *testing.T) {
	for flag, c := range map[string]struct{ value, want string }{
		"relay":        {"second floor?\t", `--relay "second floor?\t": `},
		"chemistry":    {"nimh", `--chemistry "nimh": "nimh" is not one of li-ion, lfp, lead-acid; choose one of them`},
		"series-cells": {"four", `--series-cells "four": "four" is not a whole number`},
		"capacity":     {"5", `--capacity "5": 5 has no unit; write 5Ah`},
		"cutoff":       {"99V", `--cutoff "99V": 99 V is not below the full voltage`},
		"lockout":      {"x", `--lockout "x": `},
		"shunt":        {"20m", `--shunt "20m": "m" is not a unit for this; write it like 100mΩ`},
		"shunt-rating": {"2", `--shunt-rating "2": 2 has no unit`},
		"largest-load": {"20A", `--largest-load "20A": a shunt of 0.02 Ω clips at 16 A`},
		"hop":          {"x y", `--hop "x y": `},
		"uplink":       {"x y", `--uplink "x y": `},
		"webhook":      {"ftp://x", `--webhook "ftp://x": "ftp://x" is not a web address`},
	} {
		t.Run(flag, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "candlemark.yaml")
			var out, fault bytes.Buffer
			code := execute(t.Context(), []string{
				"setup", "--yes", "--bus", "97", "--without-sensor", "--out", path, "--chemistry", "lfp", "--series-cells", "4",
				"--capacity", "20Ah", "--shunt", "20mOhm", "--shunt-rating", "2W", "--largest-load", "6A", "--" + flag, c.value,
			}, &out, &fault)
			if code != exitUsage || !strings.Contains(fault.String(), c.want) || strings.Contains(fault.String(), path) {
				t.Errorf("exit code %d, %q; want %d, %q and no line of a file", code, fault.String(), exitUsage, c.want)
			}
			if _, err := os.Stat(path); err == nil {
				t.Error("the file was written")
			}
		})
	}
}

// The way of the README from setup to the first alarm, with what setup wrote and
// the defaults for all it did not ask: self-check is content, the agent shows the
// pack, and a sensor whose plug is pulled is an alarm within half a minute.
func TestFromSetupToTheFirstAlarm(t *testing.T) {
	t.Parallel()
	bus := chipAt(0x40).(*ina219test.Bus)
	buses := map[int]i2c.Bus{1: bus}
	dir := shortDir(t)
	file, socket := filepath.Join(dir, "candlemark.yaml"), filepath.Join(dir, "c.sock")
	program(t) // built before time is taken
	began := time.Now()
	step := func(what string) {
		t.Logf("%s: %s", what, time.Since(began).Round(100*time.Millisecond))
		began = time.Now()
	}
	setup := launch(t, buses, "setup", "--yes", "--bus", "1", "--chemistry", "li-ion", "--series-cells", "5", "--capacity", "5Ah",
		"--shunt", "20mOhm", "--shunt-rating", "3W", "--largest-load", "6A", "--out", file)
	if code := setup.exitCode(startWithin); code != 0 {
		t.Fatalf("setup: exit code %d", code)
	}
	step("setup")
	// Only where things are is changed: the defaults are the board's own places.
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	places := "\nlisten: 127.0.0.1:0\njournal: " + dir + "/journal.db\ncontrol_socket: " + socket + "\n"
	if err := os.WriteFile(file, append(text, places...), 0o600); err != nil {
		t.Fatal(err)
	}
	check := launch(t, buses, "self-check", "--config", file)
	if code := check.exitCode(startWithin); code != 0 {
		t.Errorf("self-check: exit code %d", code)
	}
	step("self-check")
	p := launch(t, buses, "run", "--config", file)
	p.socket = socket
	p.waitSaid(`serving metrics and status page`)
	p.waitFor("the pack in status", startWithin, func() bool { return strings.Contains(p.status(), "18.57 V  2.50 A") })
	step("start, until the pack is shown")
	bus.FailAll(ina219test.ErrNACK)
	p.waitFor("the alarm in status", startWithin, func() bool {
		return regexp.MustCompile(`warning sensor_stale: pack pack-1 is not being measured.*\n  do: `).MatchString(p.status())
	})
	step("plug pulled, until the alarm")
	bus.FailAll(nil)
	p.waitFor("the alarm to clear", startWithin, func() bool { return !strings.Contains(p.status(), "sensor_stale") })
	step("plugged in again, until it clears")
	p.stop(syscall.SIGTERM)
}
