package gpioline

import (
	"fmt"
	"unsafe"

	"golang.org/x/sys/unix"
)

// From include/uapi/linux/gpio.h. The layouts hold on 32-bit boards too: the
// header aligns every 64-bit member to 8 bytes by hand.
const (
	nameBytes = 32

	flagUsed   = 1 << 0
	flagOutput = 1 << 3

	attrOutputValues = 2

	getChipInfo  = 0x8044b401
	getLineInfo  = 0xc100b405
	getLine      = 0xc250b407
	getValues    = 0xc010b40e
	setValues    = 0xc010b40f
	firstLineBit = 1
)

type chipInfo struct {
	_, label [nameBytes]byte
	lines    uint32
}

type attribute struct {
	id, _ uint32
	value uint64
}

type lineInfo struct {
	name, consumer [nameBytes]byte
	offset, _      uint32
	flags          uint64
	_              [10]attribute
	_              [4]uint32
}

type configAttribute struct {
	attribute
	mask uint64
}

type lineRequest struct {
	offsets  [64]uint32
	consumer [nameBytes]byte
	// What follows up to attrs is the kernel's line configuration.
	flags    uint64
	numAttrs uint32
	_        [5]uint32
	attrs    [10]configAttribute

	lines, _ uint32
	_        [5]uint32
	fd       int32
}

type lineValues struct{ bits, mask uint64 }

// call is one ioctl; what names it in the error.
func call[T any](fd int, request uintptr, what string, arg *T) error {
	for {
		_, _, errno := unix.Syscall(unix.SYS_IOCTL, uintptr(fd), request, uintptr(unsafe.Pointer(arg)))
		switch errno {
		case 0:
			return nil
		case unix.EINTR:
			continue
		}
		return fmt.Errorf("%s: %w", what, errno)
	}
}
