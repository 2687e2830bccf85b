package throughput

import (
	"context"
	"net"
	"net/http"
	"syscall"
	"time"

	"golang.org/x/sys/unix"

	"candlemark/probes/metered"
)

const (
	kibi         = 1024
	unsentAtMost = 128 * kibi // of an upload in the kernel
)

// newTransport is an HTTP transport of its own, whose connections belong to a group
// and end with ctx: by itself it would go on dialling for a request that is gone.
func newTransport(ctx context.Context, group *metered.Group) http.RoundTripper {
	d := net.Dialer{Timeout: 5 * time.Second, Control: boundUnsent}
	return &http.Transport{
		DialContext: func(_ context.Context, network, address string) (net.Conn, error) {
			conn, err := d.DialContext(ctx, network, address)
			if err != nil {
				return nil, err
			}
			return group.Add(conn)
		},
		DisableCompression:     true, // bytes on the wire are what is measured
		MaxIdleConnsPerHost:    MaxStreams,
		IdleConnTimeout:        5 * time.Second,
		TLSHandshakeTimeout:    5 * time.Second,
		ResponseHeaderTimeout:  5 * time.Second,
		MaxResponseHeaderBytes: 64 * kibi,
		ReadBufferSize:         metered.Piece,
		WriteBufferSize:        metered.Piece,
	}
}

// boundUnsent keeps the kernel from taking megabytes of an upload into its send
// buffer, which would pass for speed. Data in flight are not bounded by it.
func boundUnsent(_, _ string, raw syscall.RawConn) error {
	return raw.Control(func(fd uintptr) {
		// Where the kernel cannot, the upload figure is a little high.
		_ = unix.SetsockoptInt(int(fd), unix.IPPROTO_TCP, unix.TCP_NOTSENT_LOWAT, unsentAtMost)
	})
}
