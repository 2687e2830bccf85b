package i2cshim

import (
	"encoding/binary"

	"golang.org/x/sys/unix"
	"periph.io/x/conn/v3/i2c"
)

// Commands and bits of linux/i2c-dev.h and linux/i2c.h.
const (
	i2cFuncs    = 0x0705
	i2cRdwr     = 0x0707
	flagRead    = 0x0001
	messageSize = 16 // struct i2c_msg on 64-bit machines
	maxMessages = 42 // I2C_RDWR_IOCTL_MAX_MSGS
	maxLength   = 8192
	funcI2C     = 0x00000001
	funcSMBus   = 0x0eff0000 // what an ordinary controller emulates
)

// device answers one ioctl of the character device on a fake bus.
func device(mem memory, bus i2c.Bus, cmd, arg uint64) (val int64, errno unix.Errno) {
	switch uint32(cmd) {
	case i2cFuncs:
		var b [8]byte
		binary.LittleEndian.PutUint64(b[:], funcI2C|funcSMBus)
		return 0, mem.write(arg, b[:])
	case i2cRdwr:
		return transfer(mem, bus, arg)
	}
	return 0, unix.ENOTTY
}

type message struct {
	addr, flags, length uint16
	buf                 uint64
}

// transfer carries out the messages of one I2C_RDWR. A write followed by a read
// of the same address is one exchange of the bus, as it is on the wire.
func transfer(mem memory, bus i2c.Bus, arg uint64) (done int64, errno unix.Errno) {
	head, errno := mem.read(arg, 12) // struct i2c_rdwr_ioctl_data
	if errno != 0 {
		return 0, errno
	}
	count := int(binary.LittleEndian.Uint32(head[8:]))
	if count > maxMessages {
		return 0, unix.EINVAL
	}
	raw, errno := mem.read(binary.LittleEndian.Uint64(head), count*messageSize)
	if errno != 0 {
		return 0, errno
	}
	msgs := make([]message, count)
	for i := range msgs {
		m := raw[i*messageSize:]
		msgs[i] = message{
			addr: binary.LittleEndian.Uint16(m), flags: binary.LittleEndian.Uint16(m[2:]),
			length: binary.LittleEndian.Uint16(m[4:]), buf: binary.LittleEndian.Uint64(m[8:]),
		}
		if msgs[i].length > maxLength {
			return 0, unix.EINVAL
		}
	}
	for i := 0; i < count; i++ {
		m := msgs[i]
		var w, r []byte
		if m.flags&flagRead == 0 {
			if w, errno = mem.read(m.buf, int(m.length)); errno != 0 {
				return 0, errno
			}
			if i+1 < count && msgs[i+1].flags&flagRead != 0 && msgs[i+1].addr == m.addr {
				i++
			}
		}
		if msgs[i].flags&flagRead != 0 {
			r = make([]byte, msgs[i].length)
		}
		if bus.Tx(m.addr, w, r) != nil {
			return 0, unix.EREMOTEIO // what most controllers give for a missing acknowledge
		}
		if errno = mem.write(msgs[i].buf, r); errno != 0 {
			return 0, errno
		}
	}
	return int64(count), 0
}
