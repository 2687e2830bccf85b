package i2cshim

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"os"
	"slices"
	"strings"
	"unsafe"

	"golang.org/x/sys/unix"
	"periph.io/x/conn/v3/i2c"
)

// Layouts of linux/seccomp.h.
type notification struct {
	id    uint64
	pid   uint32 // of the thread
	flags uint32
	nr    int32
	arch  uint32
	ip    uint64
	args  [6]uint64
}

type response struct {
	id    uint64
	val   int64
	errno int32 // negative
	flags uint32
}

type addFD struct {
	id         uint64
	flags      uint32
	srcFD      uint32
	newFD      uint32
	newFDFlags uint32
}

const standIn = "candlemark-i2c-" // names the files that stand for devices

// supervisor answers the trapped system calls of one program.
type supervisor struct {
	listener int
	stopR    int // readable once stop was called
	stopW    int
	buses    map[int]i2c.Bus
	files    map[int]int // stand-in descriptor by bus; -1 for one that may not be opened
	failed   error       // the first failure of the shim itself; read after serve has ended
}

func newSupervisor(listener int, buses map[int]i2c.Bus) (*supervisor, error) {
	s := &supervisor{listener: listener, stopR: -1, stopW: -1, buses: buses, files: map[int]int{}}
	for n, bus := range buses {
		if bus == nil {
			s.files[n] = -1
			continue
		}
		fd, err := unix.MemfdCreate(fmt.Sprint(standIn, n), unix.MFD_CLOEXEC)
		if err != nil {
			return nil, errors.Join(fmt.Errorf("stand-in for /dev/i2c-%d: %w", n, err), s.close())
		}
		s.files[n] = fd
	}
	var p [2]int
	if err := unix.Pipe2(p[:], unix.O_CLOEXEC); err != nil {
		return nil, errors.Join(fmt.Errorf("stop pipe: %w", err), s.close())
	}
	s.stopR, s.stopW = p[0], p[1]
	return s, nil
}

func (s *supervisor) stop() { _, _ = unix.Write(s.stopW, []byte{0}) }

// close frees the descriptors and returns what failed while serving.
func (s *supervisor) close() error {
	for _, fd := range slices.Concat(slices.Collect(maps.Values(s.files)), []int{s.listener, s.stopR, s.stopW}) {
		if fd >= 0 {
			unix.Close(fd)
		}
	}
	return s.failed
}

// serve answers notifications until stop, or until nothing is left that could
// send one.
func (s *supervisor) serve() {
	for {
		fds := []unix.PollFd{{Fd: int32(s.listener), Events: unix.POLLIN}, {Fd: int32(s.stopR), Events: unix.POLLIN}}
		_, err := unix.Poll(fds, -1)
		switch {
		case errors.Is(err, unix.EINTR):
			continue
		case err != nil:
			s.failed = fmt.Errorf("i2cshim: poll: %w", err)
			return
		case fds[0].Revents&unix.POLLIN != 0:
			if err := s.answer(); err != nil {
				s.failed = fmt.Errorf("i2cshim: %w", err)
				return
			}
		case fds[0].Revents != 0 || fds[1].Revents != 0:
			return
		}
	}
}

func (s *supervisor) ioctl(cmd uintptr, arg unsafe.Pointer) error {
	for {
		_, _, errno := unix.Syscall(unix.SYS_IOCTL, uintptr(s.listener), cmd, uintptr(arg))
		switch errno {
		case 0:
			return nil
		case unix.EINTR:
			continue
		}
		return errno
	}
}

// answer takes one notification and answers it. ENOENT all along means that the
// thread was killed meanwhile, which is no failure; nor is EINPROGRESS, which says
// that the answer was given already: a signal to this program, as the Go runtime
// sends them to its own threads, interrupts the handing over of a file after the
// file was handed over, and the call is then made again.
func (s *supervisor) answer() error {
	var n notification
	if err := s.ioctl(unix.SECCOMP_IOCTL_NOTIF_RECV, unsafe.Pointer(&n)); err != nil {
		return gone("receive notification", err)
	}
	r := response{id: n.id, flags: unix.SECCOMP_USER_NOTIF_FLAG_CONTINUE}
	switch n.nr {
	case unix.SYS_OPENAT:
		fd, ok := s.opened(&n)
		switch {
		case ok && fd < 0:
			r = response{id: n.id, errno: -int32(unix.EACCES)}
		case ok:
			a := addFD{id: n.id, flags: unix.SECCOMP_ADDFD_FLAG_SEND, srcFD: uint32(fd), newFDFlags: unix.O_CLOEXEC}
			return gone("hand over the stand-in file", s.ioctl(unix.SECCOMP_IOCTL_NOTIF_ADDFD, unsafe.Pointer(&a)))
		}
	case unix.SYS_IOCTL:
		if bus, ok := s.busOf(&n); ok {
			val, errno := device(memory(n.pid), bus, n.args[1], n.args[2])
			r = response{id: n.id, val: val, errno: -int32(errno)}
		}
	}
	return gone("send answer", s.ioctl(unix.SECCOMP_IOCTL_NOTIF_SEND, unsafe.Pointer(&r)))
}

func gone(what string, err error) error {
	if err == nil || errors.Is(err, unix.ENOENT) || errors.Is(err, unix.EINPROGRESS) {
		return nil
	}
	return fmt.Errorf("%s: %w", what, err)
}

// opened finds the stand-in for the path that a thread opens.
func (s *supervisor) opened(n *notification) (fd int, ok bool) {
	const longest = len("/dev/i2c-65535") + 1
	b, err := memory(n.pid).upTo(n.args[1], longest)
	if err != nil {
		return 0, false
	}
	path, _, terminated := bytes.Cut(b, []byte{0})
	// The thread may have died and its id gone to another: the memory was then
	// somebody else's.
	if !terminated || s.ioctl(unix.SECCOMP_IOCTL_NOTIF_ID_VALID, unsafe.Pointer(&n.id)) != nil {
		return 0, false
	}
	for bus, fd := range s.files {
		if string(path) == fmt.Sprint("/dev/i2c-", bus) {
			return fd, true
		}
	}
	return 0, false
}

// busOf finds the bus whose stand-in a thread's descriptor is.
func (s *supervisor) busOf(n *notification) (i2c.Bus, bool) {
	link, err := os.Readlink(fmt.Sprintf("/proc/%d/fd/%d", n.pid, int32(n.args[0])))
	if err != nil || s.ioctl(unix.SECCOMP_IOCTL_NOTIF_ID_VALID, unsafe.Pointer(&n.id)) != nil {
		return nil, false
	}
	link = strings.TrimSuffix(strings.TrimPrefix(link, "/memfd:"), " (deleted)")
	for number, bus := range s.buses {
		if link == fmt.Sprint(standIn, number) {
			return bus, true
		}
	}
	return nil, false
}
