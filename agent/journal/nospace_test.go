package journal

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"golang.org/x/sys/unix"
)

// fullEnv makes this process the one in a name space of its own, where it mounts
// a disk of 600 KiB.
const fullEnv = "CANDLEMARK_TEST_FULL_DISK"

// onFullDisk fills a small disk and says what came of it. The bystander is another's
// file, which takes the room and gives it back.
func onFullDisk(dir string) error {
	if err := unix.Mount("tmpfs", dir, "tmpfs", 0, "size=600k"); err != nil {
		return fmt.Errorf("mount: %w", err)
	}
	j, err := Open(filepath.Join(dir, "j.db"), Options{Boot: "b"})
	if err != nil {
		return err
	}
	n := 0
	commit := func() error {
		for range 4 {
			if _, err := j.AddGathering(gather(n, 100)); err != nil {
				return err
			}
			n++
		}
		j.Append(note("x"))
		return j.Flush()
	}
	for range 60 {
		if err := commit(); err != nil {
			return fmt.Errorf("with room: %w", err)
		}
	}
	bystander := filepath.Join(dir, "other")
	if err := os.WriteFile(bystander, make([]byte, 600<<10), 0o600); !errors.Is(err, unix.ENOSPC) {
		return fmt.Errorf("the disk is not full: %w", err)
	}
	failed, said := 0, ""
	for range 300 {
		if commit() != nil {
			failed++
		}
		if s := j.Status(); s.LastError != "" {
			said = s.LastError
		}
	}
	full := j.Status()
	if err := os.Remove(bystander); err != nil {
		return err
	}
	if err := commit(); err != nil {
		return fmt.Errorf("with room again: %w", err)
	}
	after := j.Status()
	records, err := j.Records(Filter{})
	if err != nil {
		return err
	}
	if err := j.Close(); err != nil {
		return err
	}
	again, err := Open(filepath.Join(dir, "j.db"), Options{Boot: "b"})
	if err != nil {
		return fmt.Errorf("afterwards: %w", err)
	}
	kept, err := again.Records(Filter{})
	fmt.Printf("full: %d of 300 commits failed, %d samples dropped, %d records dropped, last error %q\nafter: error %q, %d records, reopened %d\n",
		failed, full.SamplesDropped, full.Dropped, said, after.LastError, len(records), len(kept))
	return err
}

func TestOnADiskThatIsReallyFullNoRecordIsLost(t *testing.T) {
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), fullEnv+"="+t.TempDir())
	cmd.SysProcAttr = &syscall.SysProcAttr{
		Cloneflags:  syscall.CLONE_NEWUSER | syscall.CLONE_NEWNS,
		UidMappings: []syscall.SysProcIDMap{{ContainerID: 0, HostID: os.Getuid(), Size: 1}},
		GidMappings: []syscall.SysProcIDMap{{ContainerID: 0, HostID: os.Getgid(), Size: 1}},
	}
	out, err := cmd.CombinedOutput()
	if errors.Is(err, unix.EPERM) || errors.Is(err, unix.ENOSPC) || strings.HasPrefix(string(out), "mount:") {
		const why = "this kernel gives no name spaces to a user, so no small disk can be mounted"
		if os.Getenv("CANDLEMARK_NO_SKIP") != "" {
			t.Fatal(why)
		}
		t.Skip(why)
	}
	if err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	t.Logf("%s", out)
	var failed, samples, dropped, records, reopened int
	var said, after string
	if _, err := fmt.Sscanf(string(out), "full: %d of 300 commits failed, %d samples dropped, %d records dropped, last error %q\nafter: error %q, %d records, reopened %d\n",
		&failed, &samples, &dropped, &said, &after, &records, &reopened); err != nil {
		t.Fatal(err)
	}
	if records != 361 || reopened != 361 || dropped != 0 || samples == 0 || !strings.Contains(said, "no space left on device") || after != "" {
		t.Errorf("%s", out)
	}
}
