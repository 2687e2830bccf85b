package stamp

import "encoding/binary"

// The extensions of RFC 8972 section 4: one octet of flags, one of type, two of
// length, then the value.
const (
	tlvHeader       = 4
	tlvUnrecognised = 0x80 // U
	tlvMalformed    = 0x40 // M

	tlvReserved = 0 // no extension: what follows the base is plain padding
	tlvPadding  = 1 // Extra Padding
)

// answerTLVs sets the flags that a reflector must, in what followed the base of
// a request and goes back with the reply. Extra Padding is known and goes back as
// it came; any other type is answered as not recognised. Padding of senders older
// than extensions goes back as it came too.
func answerTLVs(b []byte) {
	if len(b) < tlvHeader || b[1] == tlvReserved {
		return
	}
	for len(b) > 0 {
		if len(b) < tlvHeader {
			b[0] |= tlvMalformed
			return
		}
		end := tlvHeader + int(binary.BigEndian.Uint16(b[2:]))
		switch {
		case b[1] == tlvPadding:
			b[0] &^= tlvUnrecognised | tlvMalformed
		default:
			b[0] = b[0]&^tlvMalformed | tlvUnrecognised
		}
		if end > len(b) {
			b[0] |= tlvMalformed // and what follows cannot be told apart
			return
		}
		b = b[end:]
	}
}

// putPadding fills b with one Extra Padding extension of zeros; shorter room than
// its header stays plain padding.
func putPadding(b []byte) {
	if len(b) < tlvHeader {
		return
	}
	b[0] = tlvUnrecognised // as a sender must (RFC 8972 section 4.2)
	b[1] = tlvPadding
	binary.BigEndian.PutUint16(b[2:], uint16(len(b)-tlvHeader))
}
