//go:build !linux || !amd64

package i2cshim

import (
	"context"
	"fmt"
	"io"
	"os"
	"runtime"

	"periph.io/x/conn/v3/i2c"
)

// Process is a program that runs under the shim.
type Process struct{}

// MainHook does nothing on this machine.
func MainHook() {}

// Start always fails on this machine.
func Start(context.Context, map[int]i2c.Bus, []string, []string, io.Writer, io.Writer) (*Process, error) {
	return nil, fmt.Errorf("%w on %s/%s", ErrUnavailable, runtime.GOOS, runtime.GOARCH)
}

// PID is 0: there is no process.
func (*Process) PID() int { return 0 }

// Signal fails: there is no process.
func (*Process) Signal(os.Signal) error { return ErrUnavailable }

// Wait fails: there is no process.
func (*Process) Wait() error { return ErrUnavailable }
