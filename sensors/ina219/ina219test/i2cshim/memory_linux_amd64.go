package i2cshim

import (
	"os"

	"golang.org/x/sys/unix"
)

// memory is that of a thread under the shim, by its id.
type memory int

// read copies n bytes from an address.
func (m memory) read(addr uint64, n int) ([]byte, unix.Errno) {
	b := make([]byte, n)
	if n == 0 {
		return b, 0
	}
	local := unix.Iovec{Base: &b[0]}
	local.SetLen(n)
	k, err := unix.ProcessVMReadv(int(m), []unix.Iovec{local}, []unix.RemoteIovec{{Base: uintptr(addr), Len: n}}, 0)
	if err != nil || k != n {
		return nil, unix.EFAULT
	}
	return b, 0
}

// upTo copies at most n bytes, fewer where the next page cannot be read: a path
// may end just before one.
func (m memory) upTo(addr uint64, n int) ([]byte, error) {
	page := uint64(os.Getpagesize())
	if left := int(page - addr%page); left < n {
		head, errno := m.read(addr, left)
		if errno != 0 {
			return nil, errno
		}
		tail, errno := m.read(addr+uint64(left), n-left)
		if errno != 0 {
			return head, nil
		}
		return append(head, tail...), nil
	}
	b, errno := m.read(addr, n)
	if errno != 0 {
		return nil, errno
	}
	return b, nil
}

// write copies b to an address.
func (m memory) write(addr uint64, b []byte) unix.Errno {
	if len(b) == 0 {
		return 0
	}
	local := unix.Iovec{Base: &b[0]}
	local.SetLen(len(b))
	k, err := unix.ProcessVMWritev(int(m), []unix.Iovec{local}, []unix.RemoteIovec{{Base: uintptr(addr), Len: len(b)}}, 0)
	if err != nil || k != len(b) {
		return unix.EFAULT
	}
	return 0
}
