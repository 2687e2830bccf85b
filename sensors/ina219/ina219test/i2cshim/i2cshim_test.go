package i2cshim_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"periph.io/x/conn/v3/i2c"

	"candlemark/sensors"
	"candlemark/sensors/ina219/ina219test"
	"candlemark/sensors/ina219/ina219test/i2cshim"
)

func TestMain(m *testing.M) {
	i2cshim.MainHook()
	os.Exit(m.Run())
}

func skip(t *testing.T, why string) {
	t.Helper()
	if os.Getenv("CANDLEMARK_NO_SKIP") != "" {
		t.Fatal(why)
	}
	t.Skip(why)
}

// reader builds the static program under test.
func reader(t *testing.T) string {
	t.Helper()
	if _, err := exec.LookPath("go"); err != nil {
		skip(t, "the go command is not installed")
	}
	bin := filepath.Join(t.TempDir(), "reader")
	cmd := exec.Command("go", "build", "-o", bin, "./testdata/reader")
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("build reader: %v\n%s", err, out)
	}
	return bin
}

// run runs the reader on a bus and gives its output and its ending.
func run(t *testing.T, bin string, buses map[int]i2c.Bus, bus string) (stdout, stderr string, err error) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	var out, diag bytes.Buffer
	p, err := i2cshim.Start(ctx, buses, []string{bin, bus}, os.Environ(), &out, &diag)
	if errors.Is(err, i2cshim.ErrUnavailable) {
		skip(t, err.Error())
	}
	if err != nil {
		t.Fatal(err)
	}
	err = p.Wait()
	return out.String(), diag.String(), err
}

func TestStaticProgramReadsTheFakeBus(t *testing.T) {
	bin := reader(t)
	one, twenty := ina219test.New(0x40, 0.01), ina219test.New(0x40, 0.01)
	one.Set(18.52, -2.5)
	twenty.Set(12.8, 7)
	buses := map[int]i2c.Bus{1: ina219test.NewBus("i2c-1", one), 20: ina219test.NewBus("i2c-20", twenty)}
	for bus, want := range map[string]struct{ packV, packA float64 }{
		"i2c-1":       {18.52 - 0.025, -2.5},
		"/dev/i2c-20": {12.8 + 0.07, 7},
	} {
		out, diag, err := run(t, bin, buses, bus)
		if err != nil {
			t.Fatalf("%s: %v\n%s", bus, err, diag)
		}
		var r sensors.Reading
		if err := json.Unmarshal([]byte(out), &r); err != nil {
			t.Fatal(err)
		}
		if math.Abs(r.PackV-want.packV) > 1e-9 || math.Abs(r.PackA-want.packA) > 1e-9 {
			t.Errorf("%s: %g V, %g A, want %g V, %g A", bus, r.PackV, r.PackA, want.packV, want.packA)
		}
	}
}

func TestProgramSeesAnAbsentChipAndAnAbsentBus(t *testing.T) {
	bin := reader(t)
	buses := map[int]i2c.Bus{1: ina219test.NewBus("i2c-1")}
	for bus, want := range map[string]string{
		"i2c-1":     "ina219 i2c-1/0x40: write calibration: sysfs-i2c: remote I/O error",
		"i2c-65000": "ina219 i2c-65000/0x40: open bus: open /dev/i2c-65000: no such file or directory",
	} {
		_, diag, err := run(t, bin, buses, bus)
		var exit *exec.ExitError
		if !errors.As(err, &exit) || exit.ExitCode() != 1 || strings.TrimSpace(diag) != want {
			t.Errorf("%s: %v, %q, want exit status 1 and %q", bus, err, diag, want)
		}
	}
}

func TestProgramThatDoesNotExist(t *testing.T) {
	var diag bytes.Buffer
	p, err := i2cshim.Start(t.Context(), nil, []string{"/nonexistent/program"}, os.Environ(), nil, &diag)
	if errors.Is(err, i2cshim.ErrUnavailable) {
		skip(t, err.Error())
	}
	if err != nil {
		t.Fatal(err)
	}
	if err := p.Wait(); err == nil || !strings.Contains(diag.String(), "exec /nonexistent/program: no such file") {
		t.Errorf("%v, %q", err, diag.String())
	}
}

func TestEndingTheContextEndsTheProgram(t *testing.T) {
	chip := ina219test.New(0x40, 0.01)
	bus := ina219test.NewBus("i2c-1", chip)
	sleep, err := exec.LookPath("sleep")
	if err != nil {
		skip(t, "sleep is not installed")
	}
	ctx, cancel := context.WithCancel(t.Context())
	p, err := i2cshim.Start(ctx, map[int]i2c.Bus{1: bus}, []string{sleep, "60"}, os.Environ(), nil, nil)
	if errors.Is(err, i2cshim.ErrUnavailable) {
		skip(t, err.Error())
	}
	if err != nil {
		t.Fatal(err)
	}
	if p.PID() <= 0 {
		t.Errorf("process id %d", p.PID())
	}
	cancel()
	start := time.Now()
	if err := p.Wait(); err == nil || time.Since(start) > 20*time.Second {
		t.Errorf("%v after %v", err, time.Since(start))
	}
}
