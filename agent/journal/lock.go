package journal

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// ErrLocked is returned when another process holds the journal.
var ErrLocked = errors.New("in use")

const lockRetry = 50 * time.Millisecond

// lock opens the file at path, creating it where there is none, and takes the
// lock that bbolt takes (flock(2), exclusive). It gives up after timeout.
func lock(path string, timeout time.Duration) (*os.File, error) {
	for deadline := time.Now().Add(timeout); ; time.Sleep(lockRetry) {
		file, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|unix.O_NOFOLLOW, 0o600)
		if err != nil {
			return nil, err
		}
		info, err := file.Stat()
		if err == nil && !info.Mode().IsRegular() {
			err = fmt.Errorf("is not a regular file but %s", info.Mode())
		}
		if err != nil {
			return nil, errors.Join(err, file.Close())
		}
		err = unix.Flock(int(file.Fd()), unix.LOCK_EX|unix.LOCK_NB)
		if err == nil {
			// Whoever held it may have set it aside meanwhile: then this is the wrong file.
			now, err := os.Stat(path)
			if err == nil && os.SameFile(info, now) {
				return file, nil
			}
			if err != nil && !errors.Is(err, fs.ErrNotExist) {
				return nil, errors.Join(err, file.Close())
			}
		} else if !errors.Is(err, unix.EWOULDBLOCK) && !errors.Is(err, unix.EINTR) {
			return nil, errors.Join(fmt.Errorf("lock: %w", err), file.Close())
		}
		if err := file.Close(); err != nil {
			return nil, err
		}
		if !time.Now().Before(deadline) {
			return nil, fmt.Errorf("%w (%s; waited %s)", ErrLocked, holder(info), timeout)
		}
	}
}

// holder says who holds the lock on a file, as far as /proc/locks tells.
func holder(info fs.FileInfo) string {
	const unknown = "probably by a running agent"
	st, ok := info.Sys().(*syscall.Stat_t)
	locks, err := os.ReadFile("/proc/locks")
	if err != nil || !ok {
		return unknown
	}
	inode := fmt.Sprintf(":%d", st.Ino)
	for line := range strings.Lines(string(locks)) {
		// "1: FLOCK  ADVISORY  WRITE 708 08:02:12345 0 EOF", proc_locks(5)
		f := strings.Fields(line)
		if len(f) < 6 || f[1] != "FLOCK" || !strings.HasSuffix(f[5], inode) {
			continue
		}
		name, err := os.ReadFile("/proc/" + f[4] + "/comm")
		if err != nil { // of another name space, where the number means nothing
			return unknown
		}
		return fmt.Sprintf("by process %s (%s)", f[4], bytes.TrimSpace(name))
	}
	return unknown
}
