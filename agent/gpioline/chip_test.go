package gpioline

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/sys/unix"
	"periph.io/x/conn/v3/gpio"
)

// behaves is what a free line of a chip has to show. level is the pin as
// seen from outside, where that can be had.
func behaves(t *testing.T, chip, line string, level func() (gpio.Level, error)) {
	t.Helper()
	for _, first := range []gpio.Level{gpio.High, gpio.Low} {
		l, err := Open(chip, line, first)
		if err != nil {
			t.Fatal(err)
		}
		is := func(when string, want gpio.Level) {
			t.Helper()
			if got, err := l.ReadBack(); got != want || err != nil {
				t.Errorf("%s: read back %s, %v; want %s", when, got, err, want)
			}
			if level == nil {
				return
			}
			if got, err := level(); got != want || err != nil {
				t.Errorf("%s: the pin is %s, %v; want %s", when, got, err, want)
			}
		}
		is("from the first", first)
		for _, to := range []gpio.Level{gpio.Low, gpio.High, gpio.High, gpio.Low} {
			if err := l.Out(to); err != nil {
				t.Fatal(err)
			}
			is("after out", to)
			is("read twice", to) // reading must not let go of the line
		}
		if other, err := Open(chip, line, gpio.Low); !errors.Is(err, unix.EBUSY) || !strings.Contains(err.Error(), consumer) {
			t.Errorf("a second user got %v, %v; want busy and by whom", other, err)
		}
		if _, known, err := Rest(chip, line); known || err != nil {
			t.Errorf("rest of a line in use: known %v, %v", known, err)
		}
		if err := l.Close(); err != nil {
			t.Error(err)
		}
		if err := l.Out(gpio.High); !errors.Is(err, os.ErrClosed) {
			t.Errorf("out after close: %v", err)
		}
	}
	if _, err := Open(chip, "9999", gpio.Low); !errors.Is(err, ErrNoLine) {
		t.Errorf("a line too far: %v", err)
	}
	if _, err := Open(chip, "no such name", gpio.Low); !errors.Is(err, ErrNoLine) {
		t.Errorf("a name that is none: %v", err)
	}
}

// TestOnAChip drives a real line: CANDLEMARK_TEST_GPIO=chip:line names one that nothing hangs
// on. There is no such line on most machines, so that this is skipped even where
// other skips are faults.
func TestOnAChip(t *testing.T) {
	chip, line, ok := strings.Cut(os.Getenv("CANDLEMARK_TEST_GPIO"), ":")
	if !ok {
		t.Skip("CANDLEMARK_TEST_GPIO does not name a chip:line that may be driven")
	}
	if level, known, err := Rest(chip, line); err != nil {
		t.Errorf("rest: %v", err)
	} else {
		t.Logf("at rest: %s, known %v", level, known)
	}
	behaves(t, chip, line, nil)
}

// TestOnASimulatedChip goes through the kernel's gpio-sim (Linux kernel,
// Documentation/admin-guide/gpio/gpio-sim.rst), which also shows the pin from
// outside. Most distributions' kernels are built without it, so that this is skipped
// even where other skips are faults.
func TestOnASimulatedChip(t *testing.T) {
	const root = "/sys/kernel/config/gpio-sim"
	if _, err := os.Stat(root); err != nil {
		t.Skip("the kernel offers no gpio-sim: ", err)
	}
	dev := filepath.Join(root, fmt.Sprintf("candlemark-%d", os.Getpid()))
	bank := filepath.Join(dev, "bank0")
	named := filepath.Join(bank, "line2")
	for _, dir := range []string{dev, bank, named} {
		if err := os.Mkdir(dir, 0o755); err != nil {
			t.Skip("gpio-sim cannot be set up here: ", err)
		}
		t.Cleanup(func() { _ = os.Remove(dir) })
	}
	write := func(path, text string) {
		t.Helper()
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	read := func(path string) string {
		t.Helper()
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		return strings.TrimSpace(string(data))
	}
	write(filepath.Join(bank, "num_lines"), "4")
	write(filepath.Join(bank, "label"), "candlemark-test")
	write(filepath.Join(named, "name"), "FEED")
	write(filepath.Join(dev, "live"), "1")
	t.Cleanup(func() { _ = os.WriteFile(filepath.Join(dev, "live"), []byte("0"), 0o644) })

	chip := read(filepath.Join(bank, "chip_name"))
	pin := filepath.Join("/sys/devices/platform", read(filepath.Join(dev, "dev_name")), chip, "sim_gpio2")
	for _, pull := range []string{"pull-up", "pull-down"} {
		write(filepath.Join(pin, "pull"), pull)
		if l, known, err := Rest(chip, "FEED"); err != nil || !known || bool(l) != (pull == "pull-up") {
			t.Errorf("%s: rests %s, known %v, %v", pull, l, known, err)
		}
	}
	behaves(t, "candlemark-test", "FEED", func() (gpio.Level, error) {
		return gpio.Level(read(filepath.Join(pin, "value")) == "1"), nil
	})
}
