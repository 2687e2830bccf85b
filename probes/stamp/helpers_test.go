package stamp

import (
	"os"
	"strconv"
	"syscall"
)

var (
	errNetUnreachable = os.NewSyscallError("connect", syscall.ENETUNREACH)
	errTooManyFiles   = os.NewSyscallError("socket", syscall.EMFILE)
)

func itoa(port uint16) string { return strconv.Itoa(int(port)) }
