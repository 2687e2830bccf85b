package deploy_test

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"syscall"
	"testing"

	"golang.org/x/sys/unix"
)

// debianRoot is a small Debian to install packages into: the machine's own /usr
// under a layer that takes what is written, and everything else its own. It lives
// in mount and network name spaces of one thread and goes with them; nothing of
// the machine is changed. systemd does not run in it, as in any chroot.
type debianRoot struct {
	path string
	do   chan func() // work for the thread that sees it
}

// newDebianRoot needs root and overlay mounts; the test is skipped without.
func newDebianRoot(t *testing.T) *debianRoot {
	t.Helper()
	if os.Getuid() != 0 {
		skip(t, "not root: dpkg and mounts need it")
	}
	for _, program := range []string{"dpkg", "dpkg-deb", "systemd-sysusers", "systemd-tmpfiles", "systemd-analyze", "setpriv", "ip"} {
		if _, err := exec.LookPath(program); err != nil {
			skip(t, program+" is not installed")
		}
	}
	if to, err := os.Readlink("/bin"); err != nil || to != "usr/bin" {
		skip(t, "/bin is not within /usr on this machine")
	}
	r := &debianRoot{path: t.TempDir(), do: make(chan func())}
	made := make(chan error)
	go func() {
		// Never unlocked: the thread ends with the goroutine, and its name spaces with it.
		runtime.LockOSThread()
		made <- r.make()
		for f := range r.do {
			f()
		}
	}()
	t.Cleanup(func() { close(r.do) })
	if err := <-made; err != nil {
		if errors.Is(err, unix.EPERM) || errors.Is(err, unix.ENODEV) {
			skip(t, err.Error())
		}
		t.Fatal(err)
	}
	return r
}

func skip(t *testing.T, why string) {
	t.Helper()
	if os.Getenv("CANDLEMARK_NO_SKIP") != "" {
		t.Fatal(why)
	}
	t.Skip(why)
}

func (r *debianRoot) make() error {
	if err := unix.Unshare(unix.CLONE_NEWNS | unix.CLONE_NEWNET); err != nil {
		return fmt.Errorf("name spaces: %w", err)
	}
	if err := unix.Mount("", "/", "", unix.MS_REC|unix.MS_PRIVATE, ""); err != nil {
		return fmt.Errorf("private mounts: %w", err)
	}
	if err := unix.Mount("tmpfs", r.path, "tmpfs", 0, "mode=0755,size=512m"); err != nil {
		return fmt.Errorf("tmpfs: %w", err)
	}
	for _, dir := range []string{"usr", "layer/upper", "layer/work", "etc", "proc", "dev", "run/candlemark", "tmp", "root",
		"var/lib/dpkg/info", "var/lib/dpkg/updates", "var/lib/dpkg/triggers", "var/log", "var/backups"} {
		if err := os.MkdirAll(r.file(dir), 0o755); err != nil {
			return err
		}
	}
	layer := fmt.Sprintf("lowerdir=/usr,upperdir=%s,workdir=%s", r.file("layer/upper"), r.file("layer/work"))
	if err := unix.Mount("overlay", r.file("usr"), "overlay", 0, layer); err != nil {
		return fmt.Errorf("overlay: %w", err)
	}
	if err := unix.Mount("proc", r.file("proc"), "proc", 0, ""); err != nil {
		return fmt.Errorf("proc: %w", err)
	}
	for _, link := range []string{"bin", "sbin", "lib", "lib64"} {
		if to, err := os.Readlink("/" + link); err == nil {
			if err := os.Symlink(to, r.file(link)); err != nil {
				return err
			}
		}
	}
	// Character devices of these numbers: linux, Documentation/admin-guide/devices.txt.
	for name, minor := range map[string]uint32{"null": 3, "zero": 5, "random": 8, "urandom": 9} {
		if err := unix.Mknod(r.file("dev/"+name), unix.S_IFCHR|0o666, int(unix.Mkdev(1, minor))); err != nil {
			return err
		}
	}
	for name, text := range map[string]string{
		"etc/passwd":        "root:x:0:0:root:/root:/bin/sh\n",
		"etc/group":         "root:x:0:\n",
		"etc/nsswitch.conf": "passwd: files\ngroup: files\n",
		// What the package depends on comes with /usr.
		"var/lib/dpkg/status": "Package: systemd\nStatus: install ok installed\nArchitecture: all\nVersion: 252\nMaintainer: none\nDescription: the machine's own\n",
	} {
		if err := os.WriteFile(r.file(name), []byte(text), 0o644); err != nil {
			return err
		}
	}
	if out, err := exec.Command("ip", "link", "set", "lo", "up").CombinedOutput(); err != nil {
		return fmt.Errorf("loopback: %w: %s", err, out)
	}
	// A layer below must not show a package that the machine has.
	for _, left := range []string{"usr/bin/candlemark", "usr/lib/systemd/system/candlemark.service"} {
		if err := os.Remove(r.file(left)); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	return nil
}

func (r *debianRoot) file(name string) string { return filepath.Join(r.path, name) }

// in runs f where the root's files can be seen.
func (r *debianRoot) in(f func()) {
	done := make(chan struct{})
	r.do <- func() { f(); close(done) }
	<-done
}

func (r *debianRoot) command(out *bytes.Buffer, argv ...string) *exec.Cmd {
	cmd := exec.Command(argv[0], argv[1:]...)
	cmd.Path = "/usr/bin/" + filepath.Base(argv[0])
	cmd.Err = nil // it is looked for in the root, not here
	cmd.Dir = "/"
	cmd.Env = []string{"PATH=/usr/sbin:/usr/bin", "LC_ALL=C.UTF-8", "DEBIAN_FRONTEND=noninteractive"}
	cmd.Stdout, cmd.Stderr = out, out
	cmd.SysProcAttr = &syscall.SysProcAttr{Chroot: r.path}
	return cmd
}

// run runs a program of the root and returns all it printed.
func (r *debianRoot) run(argv ...string) (string, error) {
	var out bytes.Buffer
	var err error
	r.in(func() { err = r.command(&out, argv...).Run() })
	return out.String(), err
}

// must is run for what has to succeed.
func (r *debianRoot) must(t *testing.T, argv ...string) string {
	t.Helper()
	out, err := r.run(argv...)
	if err != nil {
		t.Fatalf("%s: %v\n%s", strings.Join(argv, " "), err, out)
	}
	return out
}

// asAgent is the command line that runs argv as the agent's user.
func asAgent(argv ...string) []string {
	return append([]string{"setpriv", "--reuid", "candlemark", "--regid", "candlemark", "--init-groups"}, argv...)
}

// put brings a file of the machine, or text, into the root.
func (r *debianRoot) put(t *testing.T, name string, data []byte) {
	t.Helper()
	var err error
	r.in(func() { err = os.WriteFile(r.file(name), data, 0o644) })
	if err != nil {
		t.Fatal(err)
	}
}

func (r *debianRoot) read(t *testing.T, name string) string {
	t.Helper()
	var data []byte
	var err error
	r.in(func() { data, err = os.ReadFile(r.file(name)) })
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

// find lists what matches a pattern, sorted, as the root names it.
func (r *debianRoot) find(pattern string) (found []string) {
	r.in(func() { found, _ = filepath.Glob(r.file(pattern)) }) // a pattern of this test's own
	for i := range found {
		found[i] = strings.TrimPrefix(found[i], r.path)
	}
	slices.Sort(found)
	return found
}

// there says whether a file is there, and its rights and owner as "rwxr-x--- 0:7".
func (r *debianRoot) there(name string) (string, bool) {
	var st unix.Stat_t
	var err error
	r.in(func() { err = unix.Lstat(r.file(name), &st) })
	return fmt.Sprintf("%s %d:%d", fs.FileMode(st.Mode & 0o777).String()[1:], st.Uid, st.Gid), err == nil
}
