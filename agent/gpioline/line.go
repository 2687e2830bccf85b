package gpioline

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"

	"golang.org/x/sys/unix"
	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"
)

// consumer is what the kernel shows as the user of the line.
const consumer = "candlemark"

// Line is an output. Its methods are safe for concurrent use.
type Line struct {
	name   string // for errors: chip and line
	number int

	mu     sync.Mutex
	fd     int
	closed bool
}

// ErrNoLine says that there is no such chip or line.
var ErrNoLine = errors.New("no such line")

// Open takes a line as an output that is at first from the beginning. chip is a
// number, a name, a path or a label; labels stay the same when the kernel
// numbers its chips in another order. line is a number on that chip, or the
// name the kernel has for it.
func Open(chip, line string, first gpio.Level) (*Line, error) {
	c, err := openChip(chip)
	if err != nil {
		return nil, err
	}
	defer c.file.Close()
	info, err := c.find(line)
	if err != nil {
		return nil, err
	}
	req := lineRequest{lines: 1, flags: flagOutput, numAttrs: 1}
	req.attrs[0] = configAttribute{attribute{id: attrOutputValues, value: bit(first)}, firstLineBit}
	l := &Line{name: c.name + " line " + line, number: int(info.offset)}
	if l.fd, err = c.request(&req, info.offset); err != nil {
		if user := text(info.consumer[:]); errors.Is(err, unix.EBUSY) && user != "" {
			err = fmt.Errorf("%w, by %s", err, user)
		}
		return nil, fmt.Errorf("gpio %s: %w", l.name, err)
	}
	return l, nil
}

// Rest is the level of a line that nobody drives, as its pull resistor holds
// it; known is false when somebody has the line or it is an output left behind.
func Rest(chip, line string) (level gpio.Level, known bool, err error) {
	c, err := openChip(chip)
	if err != nil {
		return gpio.Low, false, err
	}
	defer c.file.Close()
	info, err := c.find(line)
	if err != nil || info.flags&(flagUsed|flagOutput) != 0 {
		return gpio.Low, false, err
	}
	fd, err := c.request(&lineRequest{lines: 1}, info.offset) // no flags: left as it is
	if err != nil {
		return gpio.Low, false, fmt.Errorf("gpio %s line %s: %w", c.name, line, err)
	}
	defer unix.Close(fd)
	v := lineValues{mask: firstLineBit}
	if err := call(fd, getValues, "read", &v); err != nil {
		return gpio.Low, false, fmt.Errorf("gpio %s line %s: %w", c.name, line, err)
	}
	return v.bits&firstLineBit != 0, true, nil
}

// Out drives the line.
func (l *Line) Out(to gpio.Level) error {
	return l.use("set", setValues, &lineValues{bits: bit(to), mask: firstLineBit})
}

// ReadBack is the level on the line now. A short circuit shows as another one than was
// set where the chip reads the pin and not its own register.
func (l *Line) ReadBack() (gpio.Level, error) {
	v := lineValues{mask: firstLineBit}
	err := l.use("read back", getValues, &v)
	return v.bits&firstLineBit != 0, err
}

func (l *Line) use(what string, request uintptr, v *lineValues) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	err := error(os.ErrClosed)
	if !l.closed {
		err = call(l.fd, request, what, v)
	}
	if err != nil {
		return fmt.Errorf("gpio %s: %w", l.name, err)
	}
	return nil
}

// Close gives the line back to the kernel.
func (l *Line) Close() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.closed {
		return nil
	}
	l.closed = true
	return unix.Close(l.fd)
}

// The rest of gpio.PinOut.
func (l *Line) String() string   { return l.name }
func (l *Line) Name() string     { return l.name }
func (l *Line) Number() int      { return l.number }
func (l *Line) Function() string { return string(gpio.OUT) }
func (l *Line) Halt() error      { return nil }

// PWM is not offered by the kernel's interface.
func (l *Line) PWM(gpio.Duty, physic.Frequency) error {
	return fmt.Errorf("gpio %s: no pulse width modulation: %w", l.name, errors.ErrUnsupported)
}

func bit(l gpio.Level) uint64 {
	if l {
		return firstLineBit
	}
	return 0
}

type chip struct {
	file  *os.File
	name  string
	lines uint32
}

// openChip opens the chip that spec means.
func openChip(spec string) (chip, error) {
	if _, err := strconv.ParseUint(spec, 10, 16); err == nil {
		spec = "gpiochip" + spec
	}
	if strings.HasPrefix(spec, "gpiochip") {
		spec = "/dev/" + spec
	}
	if filepath.IsAbs(spec) {
		c, _, err := openPath(spec)
		return c, err
	}
	paths, err := filepath.Glob("/dev/gpiochip*")
	if err != nil {
		return chip{}, fmt.Errorf("gpio: %w", err)
	}
	var faults []error
	for _, path := range paths {
		c, label, err := openPath(path)
		if err != nil {
			faults = append(faults, err)
			continue
		}
		if label == spec {
			return c, nil
		}
		_ = c.file.Close()
	}
	return chip{}, fmt.Errorf("gpio: no chip labelled %q among %d: %w", spec, len(paths), errors.Join(append(faults, ErrNoLine)...))
}

func openPath(path string) (chip, string, error) {
	f, err := os.OpenFile(path, os.O_RDWR|unix.O_CLOEXEC, 0)
	if err != nil {
		return chip{}, "", fmt.Errorf("gpio: %w", err)
	}
	var info chipInfo
	if err := call(int(f.Fd()), getChipInfo, "not a gpio chip", &info); err != nil {
		_ = f.Close()
		return chip{}, "", fmt.Errorf("gpio %s: %w", path, err)
	}
	return chip{f, filepath.Base(path), info.lines}, text(info.label[:]), nil
}

// find looks a line up by number or by name.
func (c chip) find(line string) (lineInfo, error) {
	number, notNumber := strconv.ParseUint(line, 10, 32)
	for i := range c.lines {
		if notNumber == nil && uint64(i) != number {
			continue
		}
		info := lineInfo{offset: i}
		if err := call(int(c.file.Fd()), getLineInfo, "line "+strconv.Itoa(int(i)), &info); err != nil {
			return lineInfo{}, fmt.Errorf("gpio %s: %w", c.name, err)
		}
		if notNumber == nil || text(info.name[:]) == line {
			return info, nil
		}
	}
	return lineInfo{}, fmt.Errorf("gpio %s line %s, of %d: %w", c.name, line, c.lines, ErrNoLine)
}

func (c chip) request(req *lineRequest, offset uint32) (int, error) {
	req.offsets[0] = offset
	copy(req.consumer[:nameBytes-1], consumer)
	if err := call(int(c.file.Fd()), getLine, "request", req); err != nil {
		return 0, err
	}
	return int(req.fd), nil
}

// text is what a name holds before its closing zero.
func text(name []byte) string {
	before, _, _ := bytes.Cut(name, []byte{0})
	return string(before)
}

var _ gpio.PinOut = (*Line)(nil)
