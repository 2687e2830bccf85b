package reflector

import (
	"math"
	"time"
)

// The figures of RFC 6349, pure. ok is false where the inputs give none.

// BDPBits is the bandwidth-delay product (section 3.3): bit/s times round trip.
func BDPBits(bitS float64, rtt time.Duration) (bits float64, ok bool) {
	if !(bitS > 0) || math.IsInf(bitS, 1) || rtt <= 0 {
		return 0, false
	}
	return bitS * rtt.Seconds(), true
}

// TransferTimeRatio is actual over ideal time (section 4.1).
func TransferTimeRatio(actual, ideal time.Duration) (ratio float64, ok bool) {
	if actual <= 0 || ideal <= 0 {
		return 0, false
	}
	return actual.Seconds() / ideal.Seconds(), true
}

// Efficiency is the share of the bytes sent that were not sent again (section 4.2),
// 0..1.
func Efficiency(sent, retransmitted int64) (share float64, ok bool) {
	if sent <= 0 || retransmitted < 0 || retransmitted > sent {
		return 0, false
	}
	return float64(sent-retransmitted) / float64(sent), true
}

// BufferDelay is the rise of the mean round trip under load over the baseline, as
// a share of it (section 4.3).
func BufferDelay(baseline, loaded time.Duration) (share float64, ok bool) {
	if baseline <= 0 || loaded <= 0 {
		return 0, false
	}
	return (loaded - baseline).Seconds() / baseline.Seconds(), true
}

// Of Ethernet: preamble 8, header 14, check 4, gap 12 octets around an IP packet;
// of TCP and IPv4 without options: 40 octets of header.
const (
	ethernetOctets  = 38
	tcpHeaderOctets = 40
)

// MaxTCPBitS is the most TCP payload an Ethernet of a rate carries with an MTU
// (section 4.1.1).
func MaxTCPBitS(linkBitS float64, mtu int) (bitS float64, ok bool) {
	if !(linkBitS > 0) || math.IsInf(linkBitS, 1) || mtu <= tcpHeaderOctets {
		return 0, false
	}
	return linkBitS * float64(mtu-tcpHeaderOctets) / float64(mtu+ethernetOctets), true
}
