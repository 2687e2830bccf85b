package config

import (
	"time"

	"candlemark/probes"
)

// Target is something probed for latency and loss.
type Target struct {
	// Name of the target.
	Name string `key:"name" need:"yes"`
	// Part of the path it stands for: hop is near (the relay, the terminal), uplink is far.
	Section probes.Section `key:"section" need:"yes" oneof:"hop uplink"`
	// Host name or address to probe.
	Address string `key:"address" need:"yes"`
	// How to probe: icmp echo, the time a TCP connection takes, stamp packets (RFC 8762) where a reflector answers them, or auto (icmp where it is permitted, else tcp_connect).
	Method string `key:"method" default:"auto" oneof:"auto icmp tcp_connect stamp"`
	// TCP port for tcp_connect, and for auto where icmp is not permitted (443 then when left out); a refused connection is an answer too. UDP port for stamp (18620 when left out).
	Port int `key:"port" min:"1" max:"65535"`
	// Path of a file that holds the key of STAMP's authenticated mode, 16 to 64 characters. Left out: open mode, in which the reflector must allow this relay's address.
	KeyFile string `key:"key_file"`
	// Time between probes.
	Every time.Duration `key:"every" default:"30s" min:"1s" max:"24h"`
	// Packets or connections in one probe.
	Count int `key:"count" default:"10" min:"1" max:"100"`
	// Time between the packets of one probe.
	Interval time.Duration `key:"interval" default:"200ms" min:"10ms" max:"10s"`
	// Time after which a packet counts as lost. Under 1 s for TCP connections, so that TCP's own repeats do not hide loss.
	Timeout time.Duration `key:"timeout" default:"900ms" min:"10ms" max:"10s"`
}

// Throughput is one bounded transfer, made again and again. It is made with one of
// server, reflector and source; with none of them a server is taken from the
// library's public list.
type Throughput struct {
	// Name of the measurement.
	Name string `key:"name" need:"yes"`
	// Part of the path it measures: hop up to a reflector near the uplink, uplink to the outside.
	Section probes.Section `key:"section" default:"uplink" oneof:"hop uplink"`
	// Time between transfers.
	Every time.Duration `key:"every" default:"6h" min:"5min" max:"168h"`
	// Base address of a wide-area server to measure against, such as http://198.51.100.7:8080; left out, with no reflector and no source: the first of the library's public list that answers.
	Server string `key:"server"`
	// Base address of a reflector of our own (candlemark reflect), such as http://192.0.2.7:18621.
	Reflector string `key:"reflector"`
	// Whole address of any other file on the web, 1 MB or more, to be fetched in part. It is measured down alone: set up to false.
	Source string `key:"source"`
	// Path of a file that holds the reflector's token.
	TokenFile string `key:"token_file"`
	// Path of a file with the certificates that an https reflector or source is checked against; the system's when left out.
	CAFile string `key:"ca_file"`
	// Packets (STAMP) to the same reflector before the transfer and, with under_load, during it.
	Packets *Packets `key:"packets"`
	// Time for which the link is kept loaded once the figure is known, to measure delays and responsiveness under load; 0s is none. Needs a reflector, and data at the link's full rate: where byte_budget is used up first, nothing is measured under load.
	UnderLoad time.Duration `key:"under_load" default:"0s" min:"0s" max:"15s"`
	// Rate of the link as its maker or provider states it, for the transfer time ratio of RFC 6349. Left out: no such ratio.
	LinkRate BitRate `key:"link_rate" min:"1kbit/s" max:"100Gbit/s"`
	// Parallel streams.
	Streams int `key:"streams" default:"4" min:"1" max:"16"`
	// Most data one transfer may cost, both directions together.
	ByteBudget Bytes `key:"byte_budget" default:"20MB" min:"1MB" max:"10GB"`
	// Longest time the transfer may take in each direction. One with a reflector or a source ends sooner, when its figure is known to 10 %.
	Deadline time.Duration `key:"deadline" default:"30s" min:"2s" max:"1min"`
	// Whether to measure towards this relay.
	Down bool `key:"down" default:"true"`
	// Whether to measure away from this relay.
	Up bool `key:"up" default:"true"`
}

// Packets is how a reflector is asked by STAMP beside a transfer.
type Packets struct {
	// UDP port at the reflector's host.
	Port int `key:"port" default:"18620" min:"1" max:"65535"`
	// Path of a file that holds the key of STAMP's authenticated mode. Left out: open mode.
	KeyFile string `key:"key_file"`
}

// Service is something people need of the link: one of page, resolve and connect.
type Service struct {
	// Name of the service.
	Name string `key:"name" need:"yes"`
	// Part of the path it lies behind: hop for what is on site, uplink for what is outside.
	Section probes.Section `key:"section" default:"uplink" oneof:"hop uplink"`
	// Address of a page to fetch, http or https.
	Page string `key:"page"`
	// Status the page must answer. Left out: any from 200 to 299.
	Status int `key:"status" min:"100" max:"599"`
	// Text that must stand in the page, so that another page in its place, such as one to sign in, is noticed.
	Marker string `key:"marker"`
	// Host name to resolve.
	Resolve string `key:"resolve"`
	// Host and TCP port to connect to, such as mail.example:993.
	Connect string `key:"connect"`
	// Time between attempts.
	Every time.Duration `key:"every" default:"5min" min:"10s" max:"24h"`
	// Time within which it must be done.
	Deadline time.Duration `key:"deadline" default:"10s" min:"100ms" max:"1min"`
	// Most of the page that is read.
	ByteLimit Bytes `key:"byte_limit" default:"64KiB" min:"1B" max:"16MiB"`
}

// Fit are the needs that the link is judged by, each as two values: what people
// prefer and the limit beyond which it is not good enough.
type Fit struct {
	// Share of a measured rate that users may fill together; the rest is for what the measurement did not see. Rule of thumb.
	UsableShare Ratio `key:"usable_share" default:"75%" min:"1%" max:"100%"`
	// Needs of a voice call.
	Voice VoiceNeeds `key:"voice"`
	// Needs of a video meeting.
	VideoMeeting VideoNeeds `key:"video_meeting"`
	// Needs of forms and messaging.
	Forms FormsNeeds `key:"forms_messaging"`
	// Needs of moving a file.
	File FileNeeds `key:"file_transfer"`
}

// VoiceNeeds are those of a voice call.
type VoiceNeeds struct {
	// Delay from mouth to ear, one way, at most: preferred and limit (ITU-T G.114, G.1010).
	OneWay []time.Duration `key:"one_way" default:"150ms 400ms" min:"0s" max:"10s"`
	// 95th percentile of the delay variation, at most (ITU-T Y.1541 class 0, from memory; the limit is a rule of thumb).
	Variation []time.Duration `key:"variation" default:"50ms 100ms" min:"0s" max:"10s"`
	// Packets lost, at most (ITU-T G.1010; the preferred value is a rule of thumb).
	Loss []Ratio `key:"loss" default:"1% 3%" min:"0%" max:"100%"`
	// Rating R of the E-model, at least (ITU-T G.109, from memory).
	Rating []int `key:"rating" default:"80 70" min:"0" max:"93"`
	// Rate of one user each way, at least (rule of thumb; G.711 takes 80 kbit/s).
	Rate []BitRate `key:"rate" default:"100kbit/s 100kbit/s" min:"1kbit/s" max:"10Gbit/s"`
	// Where needs that differ from the defaults come from, in words.
	Source string `key:"source" default:"set in the configuration"`
}

// VideoNeeds are those of a video meeting.
type VideoNeeds struct {
	// Delay from mouth to ear, one way, at most: preferred and limit (ITU-T G.114, G.1010).
	OneWay []time.Duration `key:"one_way" default:"150ms 400ms" min:"0s" max:"10s"`
	// 95th percentile of the delay variation, at most (ITU-T Y.1541 class 0, from memory; the limit is a rule of thumb).
	Variation []time.Duration `key:"variation" default:"50ms 100ms" min:"0s" max:"10s"`
	// Packets lost, at most (ITU-T G.1010, videophone; the limit is a rule of thumb).
	Loss []Ratio `key:"loss" default:"1% 2%" min:"0%" max:"100%"`
	// Rate of one user each way, at least (rule of thumb).
	Rate []BitRate `key:"rate" default:"2Mbit/s 1Mbit/s" min:"1kbit/s" max:"10Gbit/s"`
	// Where needs that differ from the defaults come from, in words.
	Source string `key:"source" default:"set in the configuration"`
}

// FormsNeeds are those of forms and messaging.
type FormsNeeds struct {
	// Data of one form or message, each way (ITU-T G.1010).
	Size Bytes `key:"size" default:"10kB" min:"1B" max:"1GB"`
	// Time until it is there, at most: preferred and limit (ITU-T G.1010).
	Time []time.Duration `key:"time" default:"2s 4s" min:"1ms" max:"24h"`
	// Packets lost, at most (rule of thumb).
	Loss []Ratio `key:"loss" default:"1% 5%" min:"0%" max:"100%"`
	// Rate of one user each way, at least (rule of thumb).
	Rate []BitRate `key:"rate" default:"100kbit/s 50kbit/s" min:"1kbit/s" max:"10Gbit/s"`
	// Where needs that differ from the defaults come from, in words.
	Source string `key:"source" default:"set in the configuration"`
}

// FileNeeds are those of moving a file.
type FileNeeds struct {
	// Size of the file, each way (ITU-T G.1010, bulk data up to 10 MB).
	Size Bytes `key:"size" default:"10MB" min:"1B" max:"100GB"`
	// Time until it is there, at most: preferred and limit (ITU-T G.1010).
	Time []time.Duration `key:"time" default:"15s 1min" min:"1ms" max:"24h"`
	// Packets lost, at most (rule of thumb).
	Loss []Ratio `key:"loss" default:"1% 5%" min:"0%" max:"100%"`
	// Where needs that differ from the defaults come from, in words.
	Source string `key:"source" default:"set in the configuration"`
}
