package main

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"

	"candlemark/sensors/ina219/ina219test/i2cshim"
)

func TestMain(m *testing.M) {
	i2cshim.MainHook()
	testscript.Main(tidy{m}, map[string]func(){
		"candlemark": func() { os.Exit(execute(context.Background(), os.Args[1:], os.Stdout, os.Stderr)) },
	})
}

// tidy removes the shared program after the tests.
type tidy struct{ *testing.M }

func (m tidy) Run() int {
	defer func() {
		if dir := os.Getenv(programDir); dir != "" {
			os.RemoveAll(dir)
		}
	}()
	return m.M.Run()
}

// programDir names the environment variable that holds the directory of the
// programs that were built for all tests together.
const programDir = "CANDLEMARK_TEST_PROGRAMS"

// program builds the static program as it is released, once for all tests.
func program(t testing.TB) string {
	t.Helper()
	path, err := buildProgram()
	if err != nil {
		t.Fatal(err)
	}
	return path
}

var buildProgram = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "candlemark-test-")
	if err != nil {
		return "", err
	}
	if err := os.Setenv(programDir, dir); err != nil {
		return "", err
	}
	return compile(dir, "candlemark/cmd/candlemark")
})

// compile builds a static, stripped program into dir.
func compile(dir, pkg string) (string, error) {
	path := filepath.Join(dir, filepath.Base(pkg))
	cmd := exec.Command("go", "build", "-trimpath", "-ldflags=-s -w", "-o", path, pkg)
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := cmd.CombinedOutput(); err != nil {
		return "", fmt.Errorf("build %s: %w\n%s", pkg, err, out)
	}
	return path, nil
}

// absent ends a test for want of something that is not installed or permitted.
func absent(t testing.TB, why string) {
	t.Helper()
	if os.Getenv("CANDLEMARK_NO_SKIP") != "" {
		t.Fatal(why)
	}
	t.Skip(why)
}

// The limit that the project sets itself for small boards.
func TestProgramIsSmall(t *testing.T) {
	info, err := os.Stat(program(t))
	if err != nil {
		t.Fatal(err)
	}
	if mb := float64(info.Size()) / 1e6; mb > 20 {
		t.Errorf("the stripped program has %.1f MB, want 20 MB at most", mb)
	}
}
