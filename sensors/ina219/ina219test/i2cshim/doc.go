// Package i2cshim lets a test run an unmodified static program that opens
// /dev/i2c-N and talks to a fake bus of the test's own.
//
// # Model
//
// The program is started under a seccomp filter that hands openat and the ioctl
// commands of the I2C character device to the test as user notifications; no
// kernel module and no privilege is needed. Opening /dev/i2c-N for a bus the
// test gave yields a stand-in file; I2C_FUNCS and I2C_RDWR on it are answered by
// the bus, and everything else goes on to the kernel untouched. A bus that is nil
// is one that the program may not open: EACCES.
//
// The filter must be installed between fork and exec, so the test binary runs
// itself as a first stage: TestMain calls MainHook before anything else.
//
//	func TestMain(m *testing.M) {
//		i2cshim.MainHook()
//		os.Exit(m.Run())
//	}
//
// # Limits
//
// Linux on amd64 with seccomp user notification and SECCOMP_ADDFD_FLAG_SEND
// (kernel 5.14); elsewhere Start returns an error that is ErrUnavailable. Only
// openat with an absolute path is answered, which is what Go programs use: stat
// does not see the device. SMBus ioctls are refused with ENOTTY.
//
// # Sources
//
// Linux manual pages seccomp_unotify(2) and ioctl(2); kernel documentation
// i2c/dev-interface; struct layouts of linux/seccomp.h, linux/i2c.h and
// linux/i2c-dev.h.
package i2cshim

import "errors"

// ErrUnavailable says that this machine cannot trap the system calls; a test
// should be skipped.
var ErrUnavailable = errors.New("seccomp user notification is not available")
