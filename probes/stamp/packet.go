package stamp

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
)

// Sizes of the test packets without extensions, in octets.
const (
	baseOpen   = 44  // RFC 8762 figures 2 and 5
	baseSealed = 112 // figures 3 and 6
	sealOctets = 16  // HMAC-SHA-256 cut to 128 bits (section 4.4)
	sealedPart = 96  // the octets the HMAC covers: six blocks of 16 (section 4.4)
)

// Least and most octets of a key. RFC 4868 section 2.1.1 takes keys as long as the
// hash; longer ones than its block gain nothing.
const (
	MinKey = 16
	MaxKey = 64
)

// request is what a Session-Sender puts in a test packet.
type request struct {
	seq   uint32
	stamp uint64 // as on the wire
	error errorEstimate
	ssid  uint16 // RFC 8972 section 3; 0 is none
}

// reply is what a Session-Reflector puts in a test packet.
type reply struct {
	seq      uint32
	stamp    uint64
	error    errorEstimate
	ssid     uint16
	received uint64
	sender   request // as it came; its ssid is not repeated here
	ttl      uint8   // of the request, as it arrived
}

// errorEstimate is the field of RFC 4656 section 4.1.2, with the Z bit of RFC 8186.
type errorEstimate uint16

const (
	synchronised errorEstimate = 1 << 15 // S: the clock follows UTC
	truncatedPTP errorEstimate = 1 << 14 // Z: timestamps are PTPv2's, not NTP's

	// ownError is 2^22 · 2^-32 s, about 1 ms: the clock of this side is not claimed
	// to follow anything, so S is 0 and the figure stands for its resolution. A
	// multiplier of 0 would make the packet corrupt.
	ownError errorEstimate = 22<<8 | 1
)

// layout is where the fields of a mode lie.
type layout struct {
	base                                                                int
	stamp, error, ssid                                                  int
	received, senderSeq, senderStamp, senderError, senderTTL, sealStart int
}

func layoutOf(key []byte) layout {
	if key == nil {
		return layout{base: baseOpen, stamp: 4, error: 12, ssid: 14,
			received: 16, senderSeq: 24, senderStamp: 28, senderError: 36, senderTTL: 40}
	}
	return layout{base: baseSealed, stamp: 16, error: 24, ssid: 26,
		received: 32, senderSeq: 48, senderStamp: 64, senderError: 72, senderTTL: 80, sealStart: sealedPart}
}

var (
	errShort    = errors.New("shorter than a test packet")
	errSeal     = errors.New("HMAC does not match")
	errNoSource = errors.New("error estimate with multiplier 0")
)

// put writes the request into the first octets of b, which must be zero and at
// least the base size long.
func (r request) put(b []byte, key []byte) {
	l := layoutOf(key)
	binary.BigEndian.PutUint32(b, r.seq)
	binary.BigEndian.PutUint64(b[l.stamp:], r.stamp)
	binary.BigEndian.PutUint16(b[l.error:], uint16(r.error))
	binary.BigEndian.PutUint16(b[l.ssid:], r.ssid)
	seal(b, key)
}

// parseRequest reads a request. What must be zero is not looked at, as the RFC
// asks; what follows the base is not either.
func parseRequest(b []byte, key []byte) (request, error) {
	l := layoutOf(key)
	if len(b) < l.base {
		return request{}, fmt.Errorf("%w: %d of %d octets", errShort, len(b), l.base)
	}
	if !sealed(b, key) {
		return request{}, errSeal
	}
	return request{
		seq:   binary.BigEndian.Uint32(b),
		stamp: binary.BigEndian.Uint64(b[l.stamp:]),
		error: errorEstimate(binary.BigEndian.Uint16(b[l.error:])),
		ssid:  binary.BigEndian.Uint16(b[l.ssid:]),
	}, nil
}

// put writes the reply over the first octets of b, which must be at least the base
// size long.
func (r reply) put(b []byte, key []byte) {
	l := layoutOf(key)
	clear(b[:l.base])
	binary.BigEndian.PutUint32(b, r.seq)
	binary.BigEndian.PutUint64(b[l.stamp:], r.stamp)
	binary.BigEndian.PutUint16(b[l.error:], uint16(r.error))
	binary.BigEndian.PutUint16(b[l.ssid:], r.ssid)
	binary.BigEndian.PutUint64(b[l.received:], r.received)
	binary.BigEndian.PutUint32(b[l.senderSeq:], r.sender.seq)
	binary.BigEndian.PutUint64(b[l.senderStamp:], r.sender.stamp)
	binary.BigEndian.PutUint16(b[l.senderError:], uint16(r.sender.error))
	b[l.senderTTL] = r.ttl
	seal(b, key)
}

func parseReply(b []byte, key []byte) (reply, error) {
	l := layoutOf(key)
	if len(b) < l.base {
		return reply{}, fmt.Errorf("%w: %d of %d octets", errShort, len(b), l.base)
	}
	if !sealed(b, key) {
		return reply{}, errSeal
	}
	r := reply{
		seq:      binary.BigEndian.Uint32(b),
		stamp:    binary.BigEndian.Uint64(b[l.stamp:]),
		error:    errorEstimate(binary.BigEndian.Uint16(b[l.error:])),
		ssid:     binary.BigEndian.Uint16(b[l.ssid:]),
		received: binary.BigEndian.Uint64(b[l.received:]),
		sender: request{
			seq:   binary.BigEndian.Uint32(b[l.senderSeq:]),
			stamp: binary.BigEndian.Uint64(b[l.senderStamp:]),
			error: errorEstimate(binary.BigEndian.Uint16(b[l.senderError:])),
		},
		ttl: b[l.senderTTL],
	}
	if r.error&0xff == 0 { // RFC 4656 section 4.1.2: corrupt
		return reply{}, errNoSource
	}
	return r, nil
}

// seal writes the HMAC of authenticated mode; without a key there is none.
func seal(b []byte, key []byte) {
	if key != nil {
		copy(b[sealedPart:], sum(b, key))
	}
}

func sealed(b []byte, key []byte) bool {
	return key == nil || hmac.Equal(b[sealedPart:sealedPart+sealOctets], sum(b, key))
}

func sum(b []byte, key []byte) []byte {
	h := hmac.New(sha256.New, key)
	h.Write(b[:sealedPart])
	return h.Sum(nil)[:sealOctets]
}

// CheckKey says what is wrong with a key of authenticated mode.
func CheckKey(key []byte) error {
	if len(key) < MinKey || len(key) > MaxKey {
		return fmt.Errorf("a key of %d octets; it takes %d to %d", len(key), MinKey, MaxKey)
	}
	return nil
}
