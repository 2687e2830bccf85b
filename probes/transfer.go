package probes

import "time"

// Transfer is one direction of a throughput probe in detail.
type Transfer struct {
	BitS  float64       // payload in the steady state, bit/s
	Bytes int64         // carried in it
	From  time.Time     // when it began
	Time  time.Duration // and how long it lasted
	// HalfWidth is the half-width of the 95 % interval of BitS, as a share of it.
	HalfWidth      float64
	HalfWidthKnown bool
	Steady         bool // false when the rate was still rising at the end

	SpentBytes int64         // everything on the wire in both directions, the beginning included
	Elapsed    time.Duration // of all of it
	// StoppedBy is "known", "byte_ceiling" (roughly known at about a quarter of the
	// bytes of a plain run of 10 s), "byte_budget", "deadline" or "source_ended".
	StoppedBy string

	Streams    int
	Congestion string // the sender's congestion control; empty when it is not known

	TCP     TCPFigures
	Loaded  *LatencyStats  // packets sent meanwhile; nil when none were
	Working *WorkingDelays // requests made meanwhile; nil when none were
	// LoadedWhy says why neither Loaded nor Working is there although they were asked for.
	LoadedWhy string
}

// TCPFigures are those of RFC 6349; each is valid only where it is known.
type TCPFigures struct {
	BaselineRTT   time.Duration // the least while idle (section 3.2.1)
	LoadedRTT     time.Duration // the mean under load
	BaselineKnown bool
	LoadedKnown   bool

	BDPBits           float64 // bandwidth-delay product: needs the baseline
	SentBytes         int64   // by the sender's kernel, retransmissions included
	RetransmitBytes   int64
	Efficiency        float64 // share of the bytes not sent again (section 4.2), 0..1
	EfficiencyKnown   bool
	BufferDelay       float64 // rise of the round trip over the baseline (section 4.3), 0 is none
	BufferDelayKnown  bool
	TransferTimeRatio float64 // actual over ideal time (section 4.1): needs the link's nominal rate
	TimeRatioKnown    bool
}

// WorkingDelays are delays of requests while the link was loaded, as the IETF draft
// on responsiveness under working conditions wants them. TLS is nil where the
// connections have none.
type WorkingDelays struct {
	TCP, TLS, HTTP []time.Duration // on connections of their own
	Loaded         []time.Duration // round trips of the connections that carry the load
}
