package reflector

import (
	"crypto/tls"
	"net"
	"syscall"
	"time"

	"golang.org/x/sys/unix"

	"candlemark/probes/metered"
)

const unsentAtMost = 128 << 10 // bytes of a sender in its own kernel, not yet on the wire

// tcpInfo is what the kernel tells of a connection.
type tcpInfo struct {
	acked         int64 // payload bytes that the far side has confirmed in order
	delivered     int64 // segments that it has confirmed, in whatever order
	arrived       int64 // segments with data that came, in whatever order
	received      int64 // payload bytes that came, in order
	sent          int64 // payload bytes put on the wire, retransmissions included
	retransmitted int64
	rtt           time.Duration // smoothed, as sender
	receiverRTT   time.Duration // as receiver of bulk data; 0 when there is none
}

// rawOf finds the TCP socket under a connection.
func rawOf(c net.Conn) (syscall.RawConn, bool) {
	for {
		switch v := c.(type) {
		case *tls.Conn:
			c = v.NetConn()
		case *metered.Conn:
			c = v.Conn
		case *tuned:
			c = v.Conn
		case *limitedConn:
			c = v.Conn
		case syscall.Conn:
			raw, err := v.SyscallConn()
			return raw, err == nil
		default:
			return nil, false
		}
	}
}

// plus adds the counts; round trips are not counts.
func (i tcpInfo) plus(o tcpInfo) tcpInfo {
	i.acked, i.delivered, i.arrived = i.acked+o.acked, i.delivered+o.delivered, i.arrived+o.arrived
	i.received, i.sent, i.retransmitted = i.received+o.received, i.sent+o.sent, i.retransmitted+o.retransmitted
	return i
}

func infoOf(c net.Conn) (i tcpInfo, ok bool) {
	raw, ok := rawOf(c)
	if !ok {
		return i, false
	}
	err := raw.Control(func(fd uintptr) {
		var t *unix.TCPInfo
		var err error
		if t, err = unix.GetsockoptTCPInfo(int(fd), unix.IPPROTO_TCP, unix.TCP_INFO); err != nil {
			ok = false
			return
		}
		i = tcpInfo{
			acked: int64(t.Bytes_acked), delivered: int64(t.Delivered), arrived: int64(t.Data_segs_in), received: int64(t.Bytes_received),
			sent: int64(t.Bytes_sent), retransmitted: int64(t.Bytes_retrans),
			rtt: time.Duration(t.Rtt) * time.Microsecond, receiverRTT: time.Duration(t.Rcv_rtt) * time.Microsecond,
		}
	})
	return i, ok && err == nil
}

// tune sets the congestion control and keeps the kernel from taking megabytes that
// are not yet on the wire, which would wait where no probe sees them. It gives the
// congestion control that is in force, which is the host's own where the one asked
// for is not to be had.
func tune(c net.Conn, congestion string) (inForce string) {
	raw, ok := rawOf(c)
	if !ok {
		return ""
	}
	_ = raw.Control(func(fd uintptr) {
		s := int(fd)
		_ = unix.SetsockoptInt(s, unix.IPPROTO_TCP, unix.TCP_NOTSENT_LOWAT, unsentAtMost)
		if congestion != "" {
			_ = unix.SetsockoptString(s, unix.IPPROTO_TCP, unix.TCP_CONGESTION, congestion)
		}
		inForce, _ = unix.GetsockoptString(s, unix.IPPROTO_TCP, unix.TCP_CONGESTION)
	})
	return inForce
}
