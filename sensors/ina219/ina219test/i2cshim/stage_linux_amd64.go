package i2cshim

import (
	"fmt"
	"os"
	"runtime"
	"slices"
	"strings"
	"unsafe"

	"golang.org/x/sys/unix"
)

// stageMark in the environment makes a start of the test binary the first stage.
const stageMark = "CANDLEMARK_I2CSHIM_STAGE=1"

// stageSocket is the first stage's end of the socket to the test.
const stageSocket = 3

// MainHook turns this process into the program under test when Start began it,
// and then does not return. Otherwise it does nothing.
func MainHook() {
	if !slices.Contains(os.Environ(), stageMark) {
		return
	}
	// The filter belongs to one thread; exec carries it over to the program.
	runtime.LockOSThread()
	err := stage(os.Args[1:])
	// Only a failure arrives here. Before the filter's descriptor is sent the
	// text goes to Start; later the socket is closed and standard error has to do.
	if unix.Sendmsg(stageSocket, []byte(err.Error()), nil, nil, 0) != nil {
		fmt.Fprintln(os.Stderr, "i2cshim:", err)
	}
	os.Exit(1)
}

func stage(argv []string) error {
	listener, err := installFilter()
	if err != nil {
		return err
	}
	// One byte carries the descriptor.
	if err := unix.Sendmsg(stageSocket, []byte{0}, unix.UnixRights(listener), nil, 0); err != nil {
		return fmt.Errorf("send listener: %w", err)
	}
	unix.Close(listener)
	unix.Close(stageSocket)
	env := slices.DeleteFunc(os.Environ(), func(s string) bool { return strings.HasPrefix(s, stageMark) })
	return fmt.Errorf("exec %s: %w", argv[0], unix.Exec(argv[0], argv, env))
}

// installFilter notifies the listener of openat and of ioctl commands 0x07xx,
// those of the I2C character device, and allows everything else.
func installFilter() (listener int, err error) {
	const (
		load    = unix.BPF_LD | unix.BPF_W | unix.BPF_ABS
		jumpEq  = unix.BPF_JMP | unix.BPF_JEQ | unix.BPF_K
		and     = unix.BPF_ALU | unix.BPF_AND | unix.BPF_K
		ret     = unix.BPF_RET | unix.BPF_K
		offNR   = 0  // struct seccomp_data
		offArch = 4  //
		offArg1 = 24 // low half
	)
	prog := []unix.SockFilter{
		{Code: load, K: offArch},
		{Code: jumpEq, K: unix.AUDIT_ARCH_X86_64, Jf: 6}, // another ABI: allow
		{Code: load, K: offNR},
		{Code: jumpEq, K: unix.SYS_OPENAT, Jt: 5},
		{Code: jumpEq, K: unix.SYS_IOCTL, Jf: 3},
		{Code: load, K: offArg1},
		{Code: and, K: 0xFFFFFF00},
		{Code: jumpEq, K: 0x0700, Jt: 1},
		{Code: ret, K: unix.SECCOMP_RET_ALLOW},
		{Code: ret, K: unix.SECCOMP_RET_USER_NOTIF},
	}
	if err := unix.Prctl(unix.PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0); err != nil {
		return 0, fmt.Errorf("set no_new_privs: %w", err)
	}
	fprog := unix.SockFprog{Len: uint16(len(prog)), Filter: &prog[0]}
	// Without WAIT_KILLABLE_RECV (kernel 5.19) a signal in mid-transaction makes
	// the program repeat it; older kernels have to live with that.
	for _, flags := range []uintptr{unix.SECCOMP_FILTER_FLAG_NEW_LISTENER | unix.SECCOMP_FILTER_FLAG_WAIT_KILLABLE_RECV, unix.SECCOMP_FILTER_FLAG_NEW_LISTENER} {
		fd, _, errno := unix.Syscall(unix.SYS_SECCOMP, unix.SECCOMP_SET_MODE_FILTER, flags, uintptr(unsafe.Pointer(&fprog)))
		if errno == 0 {
			return int(fd), nil
		}
		err = errno
	}
	return 0, fmt.Errorf("install filter: %w", err)
}
