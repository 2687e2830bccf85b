package control

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log"
	"net"
	"net/http"
	"os"
	"sync"
	"syscall"

	"golang.org/x/sys/unix"
)

// Server answers on the socket.
type Server struct {
	path    string
	handler Handler
}

// New makes a server for the socket at path, whose directory must exist.
func New(path string, h Handler) *Server { return &Server{path: path, handler: h} }

// Run answers until ctx ends, lets requests under way finish, and removes the socket.
func (s *Server) Run(ctx context.Context) error {
	listener, err := listen(ctx, s.path)
	if err != nil {
		return fmt.Errorf("control socket %s: %w", s.path, err)
	}
	server := &http.Server{
		Handler:           s.routes(),
		ReadHeaderTimeout: headerTime,
		ReadTimeout:       requestTime,
		WriteTimeout:      requestTime,
		IdleTimeout:       requestTime,
		MaxHeaderBytes:    8 << 10,
		ConnContext:       withPeer,
		ErrorLog:          log.New(io.Discard, "", 0), // a client's faults are the client's to report
	}
	stopped := make(chan error, 1)
	go func() { stopped <- server.Serve(limit(listener, maxConnections)) }()
	select {
	case err = <-stopped:
		return fmt.Errorf("control socket %s: %w", s.path, errors.Join(err, server.Close()))
	case <-ctx.Done():
	}
	grace, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopTime)
	defer cancel()
	if err = server.Shutdown(grace); errors.Is(err, context.DeadlineExceeded) {
		err = server.Close() // whoever still hangs on has had his time
	}
	<-stopped
	if err != nil {
		return fmt.Errorf("control socket %s: stop: %w", s.path, err)
	}
	return nil
}

// listen binds the socket after a dead agent's was removed.
func listen(ctx context.Context, path string) (net.Listener, error) {
	switch info, err := os.Lstat(path); {
	case errors.Is(err, fs.ErrNotExist):
	case err != nil:
		return nil, err
	case info.Mode()&fs.ModeSocket == 0:
		return nil, fmt.Errorf("a %s stands there that is no socket; move it away", info.Mode().Type())
	default:
		conn, err := net.DialTimeout("unix", path, headerTime)
		if err == nil {
			return nil, errors.Join(ErrInUse, conn.Close())
		}
		if !errors.Is(err, syscall.ECONNREFUSED) {
			return nil, fmt.Errorf("is anybody there? %w", err)
		}
		if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return nil, err
		}
	}
	config := net.ListenConfig{Control: func(_, _ string, c syscall.RawConn) error {
		var err error
		// Before bind: the file is born with this mode (less the umask) and is at
		// no moment open to more people.
		if e := c.Control(func(fd uintptr) { err = unix.Fchmod(int(fd), fileMode) }); e != nil {
			return e
		}
		return err
	}}
	l, err := config.Listen(ctx, "unix", path)
	if err != nil {
		return nil, err
	}
	if err := os.Chmod(path, fileMode); err != nil { // what the umask took away
		return nil, errors.Join(err, l.Close())
	}
	return l, nil
}

// limited accepts at most so many connections at once; the kernel queues the rest.
type limited struct {
	net.Listener
	slots  chan struct{}
	closed chan struct{}
	once   sync.Once
}

func limit(l net.Listener, most int) net.Listener {
	return &limited{Listener: l, slots: make(chan struct{}, most), closed: make(chan struct{})}
}

func (l *limited) Accept() (net.Conn, error) {
	select {
	case l.slots <- struct{}{}:
	case <-l.closed:
		return nil, net.ErrClosed
	}
	conn, err := l.Listener.Accept()
	if err != nil {
		<-l.slots
		return nil, err
	}
	return &slotted{Conn: conn, free: sync.OnceFunc(func() { <-l.slots })}, nil
}

func (l *limited) Close() error {
	l.once.Do(func() { close(l.closed) })
	return l.Listener.Close()
}

type slotted struct {
	net.Conn
	free func()
}

func (c *slotted) Close() error {
	defer c.free()
	return c.Conn.Close()
}

type peerKey struct{}

// withPeer notes who is at the other end, as the kernel knows it.
func withPeer(ctx context.Context, conn net.Conn) context.Context {
	who := "unknown"
	if c, ok := conn.(*slotted); ok {
		if u, ok := c.Conn.(*net.UnixConn); ok {
			if raw, err := u.SyscallConn(); err == nil {
				var cred *unix.Ucred
				var credErr error
				err = raw.Control(func(fd uintptr) { cred, credErr = unix.GetsockoptUcred(int(fd), unix.SOL_SOCKET, unix.SO_PEERCRED) })
				if err == nil && credErr == nil {
					who = fmt.Sprintf("uid %d", cred.Uid)
				}
			}
		}
	}
	return context.WithValue(ctx, peerKey{}, who)
}
