package stamp

import (
	"encoding/binary"
	"net"
	"net/netip"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

// sendTTL is what RFC 8762 section 4.1 wants of a sender, and what makes the
// number of hops back readable too.
const sendTTL = 255

// oobOctets have room for a timestamp and a hop limit.
const oobOctets = 128

// datagram is one packet that came.
type datagram struct {
	b    []byte
	from netip.AddrPort
	ttl  uint8     // 0 when the kernel did not tell
	at   time.Time // when it came, by the kernel where it tells
	cut  bool      // longer than the buffer
}

// prepare asks for what the kernel knows of each packet. Only the outgoing hop
// limit is essential to the protocol; the others make figures better.
func prepare(conn *net.UDPConn) error {
	raw, err := conn.SyscallConn()
	if err != nil {
		return err
	}
	local := conn.LocalAddr().(*net.UDPAddr).AddrPort().Addr()
	var failed error
	err = raw.Control(func(fd uintptr) {
		s := int(fd)
		if local.Is4() || local.Is4In6() || local.IsUnspecified() {
			failed = unix.SetsockoptInt(s, unix.IPPROTO_IP, unix.IP_TTL, sendTTL)
			_ = unix.SetsockoptInt(s, unix.IPPROTO_IP, unix.IP_RECVTTL, 1)
		}
		if local.Is6() && !local.Is4In6() {
			failed = unix.SetsockoptInt(s, unix.IPPROTO_IPV6, unix.IPV6_UNICAST_HOPS, sendTTL)
			_ = unix.SetsockoptInt(s, unix.IPPROTO_IPV6, unix.IPV6_RECVHOPLIMIT, 1)
		}
		_ = unix.SetsockoptInt(s, unix.SOL_SOCKET, unix.SO_TIMESTAMPNS, 1)
	})
	if err == nil {
		err = failed
	}
	return err
}

func receive(conn *net.UDPConn, b, oob []byte) (datagram, error) {
	n, oobn, flags, from, err := conn.ReadMsgUDPAddrPort(b, oob)
	if err != nil {
		return datagram{}, err
	}
	d := datagram{b: b[:n], from: netip.AddrPortFrom(from.Addr().Unmap(), from.Port()), at: time.Now(), cut: flags&unix.MSG_TRUNC != 0}
	messages, err := unix.ParseSocketControlMessage(oob[:oobn])
	if err != nil {
		return d, nil // the packet is good without
	}
	for _, m := range messages {
		switch {
		case m.Header.Level == unix.IPPROTO_IP && m.Header.Type == unix.IP_TTL && len(m.Data) >= 4,
			m.Header.Level == unix.IPPROTO_IPV6 && m.Header.Type == unix.IPV6_HOPLIMIT && len(m.Data) >= 4:
			d.ttl = uint8(binary.NativeEndian.Uint32(m.Data))
		case m.Header.Level == unix.SOL_SOCKET && m.Header.Type == unix.SO_TIMESTAMPNS && len(m.Data) >= int(unsafe.Sizeof(unix.Timespec{})):
			d.at = kernelTime(m.Data, d.at)
		}
	}
	return d, nil
}

// kernelTime turns the kernel's wall-clock time of arrival into a time that keeps
// its monotonic reading, by how long ago it was. A clock set in between would make
// that absurd; then the time of reading stands.
func kernelTime(b []byte, read time.Time) time.Time {
	ts := (*unix.Timespec)(unsafe.Pointer(&b[0]))
	age := time.Duration(read.UnixNano() - ts.Nano())
	if age < 0 || age > 500*time.Millisecond {
		return read
	}
	return read.Add(-age)
}
