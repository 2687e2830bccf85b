package i2cshim

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"slices"

	"golang.org/x/sys/unix"
	"periph.io/x/conn/v3/i2c"
)

// Process is a program that runs under the shim.
type Process struct {
	cmd        *exec.Cmd
	supervisor *supervisor
	served     chan struct{} // closed when the supervisor has ended
}

// Start runs argv (argv[0] is a path) with environment env, and answers its
// /dev/i2c-N with buses[N]. Ending ctx kills it. The caller must call Wait.
// An error that is ErrUnavailable means this machine cannot do it.
func Start(ctx context.Context, buses map[int]i2c.Bus, argv, env []string, stdout, stderr io.Writer) (*Process, error) {
	if len(argv) == 0 {
		return nil, errors.New("i2cshim: no program given")
	}
	pair, err := unix.Socketpair(unix.AF_UNIX, unix.SOCK_SEQPACKET|unix.SOCK_CLOEXEC, 0)
	if err != nil {
		return nil, fmt.Errorf("i2cshim: socket pair: %w", err)
	}
	defer unix.Close(pair[0])
	theirs := os.NewFile(uintptr(pair[1]), "stage socket")

	cmd := exec.CommandContext(ctx, "/proc/self/exe", argv...)
	cmd.Env = append(slices.Clone(env), stageMark)
	cmd.Stdout, cmd.Stderr = stdout, stderr
	cmd.ExtraFiles = []*os.File{theirs}
	err = cmd.Start()
	theirs.Close()
	if err != nil {
		return nil, fmt.Errorf("i2cshim: %w", err)
	}
	listener, err := receive(pair[0])
	if err != nil {
		_ = cmd.Wait() // the stage ends by itself; its reason is err
		return nil, fmt.Errorf("i2cshim: %w", err)
	}
	s, err := newSupervisor(listener, buses)
	if err != nil {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
		return nil, fmt.Errorf("i2cshim: %w", err)
	}
	p := &Process{cmd: cmd, supervisor: s, served: make(chan struct{})}
	go func() {
		defer close(p.served)
		s.serve()
		if s.failed != nil {
			// Nobody answers the program's calls any more: it would hang for ever.
			_ = cmd.Process.Kill()
		}
	}()
	return p, nil
}

// receive takes the filter's descriptor, or the reason why there is none.
func receive(socket int) (listener int, err error) {
	text, oob := make([]byte, 512), make([]byte, unix.CmsgSpace(4))
	n, oobn, _, _, err := unix.Recvmsg(socket, text, oob, unix.MSG_CMSG_CLOEXEC)
	switch {
	case err != nil:
		return 0, fmt.Errorf("receive listener: %w", err)
	case n == 0:
		return 0, errors.New("the first stage ended without a word; does TestMain call MainHook first?")
	case oobn == 0:
		return 0, fmt.Errorf("%w: %s", ErrUnavailable, text[:n])
	}
	msgs, err := unix.ParseSocketControlMessage(oob[:oobn])
	if err != nil || len(msgs) != 1 {
		return 0, fmt.Errorf("receive listener: %d messages: %w", len(msgs), err)
	}
	fds, err := unix.ParseUnixRights(&msgs[0])
	if err != nil || len(fds) != 1 {
		return 0, fmt.Errorf("receive listener: %d descriptors: %w", len(fds), err)
	}
	return fds[0], nil
}

// PID is the program's process id.
func (p *Process) PID() int { return p.cmd.Process.Pid }

// Signal sends the program a signal.
func (p *Process) Signal(sig os.Signal) error { return p.cmd.Process.Signal(sig) }

// Wait waits for the program to end and frees everything. Its error is that of
// exec.Cmd.Wait, joined with the first failure of the shim itself.
func (p *Process) Wait() error {
	err := p.cmd.Wait()
	p.supervisor.stop()
	<-p.served
	return errors.Join(err, p.supervisor.close())
}
