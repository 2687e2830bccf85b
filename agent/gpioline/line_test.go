package gpioline

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unsafe"

	"periph.io/x/conn/v3/gpio"
)

// TestLayout compares with what the C compiler makes of include/uapi/linux/gpio.h:
// the size of each structure is part of its request number (bits 16 to 29,
// include/uapi/asm-generic/ioctl.h).
func TestLayout(t *testing.T) {
	cases := []struct {
		name    string
		size    uintptr
		request uintptr
	}{
		{"gpiochip_info", unsafe.Sizeof(chipInfo{}), getChipInfo},
		{"gpio_v2_line_info", unsafe.Sizeof(lineInfo{}), getLineInfo},
		{"gpio_v2_line_request", unsafe.Sizeof(lineRequest{}), getLine},
		{"gpio_v2_line_values, get", unsafe.Sizeof(lineValues{}), getValues},
		{"gpio_v2_line_values, set", unsafe.Sizeof(lineValues{}), setValues},
	}
	for _, c := range cases {
		if in := c.request >> 16 & 0x3fff; c.size != in {
			t.Errorf("%s: %d bytes, its request says %d", c.name, c.size, in)
		}
	}
	// offsetof, from the same compiler.
	if o := unsafe.Offsetof(lineRequest{}.flags); o != 288 {
		t.Errorf("config at %d, want 288", o)
	}
	if o := unsafe.Offsetof(lineRequest{}.attrs); o != 320 {
		t.Errorf("attrs at %d, want 320", o)
	}
	if o := unsafe.Offsetof(lineRequest{}.fd); o != 588 {
		t.Errorf("fd at %d, want 588", o)
	}
}

func TestClearErrorsWithoutHardware(t *testing.T) {
	plain := filepath.Join(t.TempDir(), "plain")
	if err := os.WriteFile(plain, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	cases := []struct {
		name, chip, words string
	}{
		{"no such number", "9999", "open /dev/gpiochip9999: no such file"},
		{"no such path", "/nonexistent/gpiochip0", "open /nonexistent/gpiochip0: no such file"},
		{"no such label", "nobody-has-this", `no chip labelled "nobody-has-this"`},
		{"not a chip", plain, plain + ": not a gpio chip"},
	}
	for _, c := range cases {
		if l, err := Open(c.chip, "0", gpio.Low); err == nil || !strings.Contains(err.Error(), c.words) || l != nil {
			t.Errorf("%s: open gave %v, want %q", c.name, err, c.words)
		}
		if _, known, err := Rest(c.chip, "0"); err == nil || !strings.Contains(err.Error(), c.words) || known {
			t.Errorf("%s: rest gave %v, want %q", c.name, err, c.words)
		}
	}
}
