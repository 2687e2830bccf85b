package config

import (
	"fmt"
	"net"
	"net/url"
	"strconv"
	"strings"
	"time"
)

// synRepeat is when TCP first repeats an unanswered SYN (RFC 6298, section 2: 1 s).
const synRepeat = time.Second

// longestBurst bounds one latency probe: probes never overlap, so a long one holds
// up all others.
const longestBurst = time.Minute

func validateTarget(report reporter, key string, t Target) {
	switch host, port, found := strings.Cut(t.Address, ":"); {
	case strings.Contains(t.Address, "://"):
		report(key+".address", fmt.Sprintf("%q is a web address", t.Address), "write the host alone")
	case found && !isHost(t.Address) && isHost(host):
		report(key+".address", fmt.Sprintf("%q holds a port", t.Address), fmt.Sprintf("write address: %s and port: %s", host, port))
	case !isHost(t.Address):
		report(key+".address", fmt.Sprintf("%q is neither a host name nor an address", t.Address), "write it like 192.0.2.1 or host.example")
	}
	switch {
	case t.Method == "tcp_connect" && t.Port == 0:
		report(key+".port", "is missing: tcp_connect needs one", "add port: 443, or choose method: icmp")
	case t.Method == "icmp" && t.Port != 0:
		report(key+".port", "has no meaning for icmp", "remove it, or choose method: tcp_connect")
	}
	if t.Method != "stamp" && t.KeyFile != "" {
		report(key+".key_file", "has a meaning for stamp only", "remove it, or choose method: stamp")
	}
	if (t.Method == "tcp_connect" || t.Method == "auto") && t.Timeout >= synRepeat {
		report(key+".timeout", fmt.Sprintf("%s is not below %s, when TCP repeats by itself and hides the loss", t.Timeout, synRepeat),
			"set 900ms or less, or choose method: icmp")
	}
	burst := time.Duration(t.Count-1)*t.Interval + t.Timeout
	if t.Method == "stamp" {
		burst += 3 * t.Timeout // asking for the reflector's count after loss
	}
	if burst > longestBurst {
		report(key+".count", fmt.Sprintf("one probe of %d packets %s apart may take %s, and no other probe runs meanwhile", t.Count, short(t.Interval), short(burst)),
			"keep it under "+short(longestBurst)+": fewer packets, or a shorter interval")
	} else if burst > t.Every {
		report(key+".every", fmt.Sprintf("%s is shorter than one probe, which may take %s", short(t.Every), short(burst)),
			"set more, or fewer packets in count")
	}
}

func validateThroughput(report reporter, key string, t Throughput, data Data) {
	validateFarEnd(report, key, t)
	if !t.Down && !t.Up {
		report(key+".down", "neither down nor up is to be measured", "set one of them to true")
	}
	if t.UnderLoad > 0 && t.UnderLoad < time.Second {
		report(key+".under_load", fmt.Sprintf("%s is too short to measure anything", short(t.UnderLoad)), "set 4s, or 0s for none")
	}
	if t.Deadline >= t.Every {
		report(key+".deadline", fmt.Sprintf("%s is not shorter than every, %s", short(t.Deadline), short(t.Every)), "set less")
	}
	if data.PerDay > 0 && t.ByteBudget > data.PerDay {
		report(key+".byte_budget", "is more than data.per_day, so it could never run", "set less, or raise data.per_day")
	}
}

// validateFarEnd compares what a transfer is made with and what goes with that.
func validateFarEnd(report reporter, key string, t Throughput) {
	given := 0
	for _, far := range []struct{ key, text, example string }{
		{"server", t.Server, "http://198.51.100.7:8080"}, {"reflector", t.Reflector, "http://192.0.2.7:18621"}, {"source", t.Source, "https://host.example/file"},
	} {
		if far.text == "" {
			continue
		}
		if given++; given > 1 {
			report(key+"."+far.key, "is one too many: a transfer has one far end", "keep one of server, reflector and source")
		}
		checkWebAddress(report, key+"."+far.key, far.text, far.example, far.key == "source")
	}
	if t.Section == "hop" && given == 0 {
		report(key+".section", "the library's public list is not on the hop", "name a reflector, server or source near the uplink, or set section: uplink")
	}
	if t.Reflector != "" && t.TokenFile == "" {
		report(key+".token_file", "is missing: a reflector wants a token", "name the file that holds it")
	}
	if t.Source != "" && t.Up {
		report(key+".up", "a source takes nothing, so that only down can be measured", "write up: false")
	}
	web := t.Reflector
	if web == "" {
		web = t.Source
	}
	for _, k := range []struct {
		key         string
		given, fits bool
		only        string
	}{
		{"token_file", t.TokenFile != "", t.Reflector != "", "a reflector"},
		{"packets", t.Packets != nil, t.Reflector != "", "a reflector"},
		{"under_load", t.UnderLoad > 0, t.Reflector != "", "a reflector"},
		{"link_rate", t.LinkRate > 0, web != "", "a reflector or a source"},
		{"ca_file", t.CAFile != "", strings.HasPrefix(web, "https:"), "an https reflector or source"},
	} {
		if k.given && !k.fits {
			report(key+"."+k.key, "has a meaning for "+k.only+" only", "remove it")
		}
	}
}

// checkWebAddress checks an http or https address; path says whether it may have more
// than host and port.
func checkWebAddress(report reporter, key, text, example string, path bool) {
	u, err := url.Parse(text)
	switch {
	case err != nil || (u.Scheme != "http" && u.Scheme != "https") || !isHost(u.Hostname()):
		report(key, fmt.Sprintf("%q is not a web address", text), "write it like "+example)
	case u.User != nil:
		report(key, "holds a user or password", "give an address that needs none")
	case !path && (u.Path != "" && u.Path != "/" || u.RawQuery != "" || u.Fragment != ""):
		report(key, fmt.Sprintf("%q holds more than scheme, host and port", text), "write it like "+example)
	}
}

func validateService(report reporter, key string, s Service) {
	given := 0
	for _, what := range []string{s.Page, s.Resolve, s.Connect} {
		if what != "" {
			given++
		}
	}
	if given != 1 {
		report(key, "wants one of page, resolve and connect", "keep one: page: https://host.example/, resolve: host.example, or connect: host.example:993")
	}
	if s.Page != "" {
		checkWebAddress(report, key+".page", s.Page, "https://host.example/", true)
	}
	if s.Resolve != "" && !isHost(s.Resolve) {
		report(key+".resolve", fmt.Sprintf("%q is not a host name", s.Resolve), "write it like host.example")
	}
	if s.Connect != "" {
		host, port, err := net.SplitHostPort(s.Connect)
		if n, bad := strconv.ParseUint(port, 10, 16); err != nil || bad != nil || n == 0 || !isHost(host) {
			report(key+".connect", fmt.Sprintf("%q is not a host with a port", s.Connect), "write it like host.example:993")
		}
	}
	for _, only := range []struct {
		key   string
		given bool
	}{{"status", s.Status != 0}, {"marker", s.Marker != ""}} {
		if only.given && s.Page == "" {
			report(key+"."+only.key, "has a meaning for a page only", "remove it")
		}
	}
	if Bytes(len(s.Marker)) > s.ByteLimit {
		report(key+".marker", "is longer than byte_limit", "set byte_limit to more")
	}
	if s.Deadline >= s.Every {
		report(key+".deadline", fmt.Sprintf("%s is not shorter than every, %s", short(s.Deadline), short(s.Every)), "set less")
	}
}

func validateFit(report reporter, f Fit) {
	v, m := f.Voice, f.VideoMeeting
	twoOf(report, "fit.voice.one_way", v.OneWay, false)
	twoOf(report, "fit.voice.variation", v.Variation, false)
	twoOf(report, "fit.voice.loss", v.Loss, false)
	twoOf(report, "fit.voice.rating", v.Rating, true)
	twoOf(report, "fit.voice.rate", v.Rate, true)
	twoOf(report, "fit.video_meeting.one_way", m.OneWay, false)
	twoOf(report, "fit.video_meeting.variation", m.Variation, false)
	twoOf(report, "fit.video_meeting.loss", m.Loss, false)
	twoOf(report, "fit.video_meeting.rate", m.Rate, true)
	twoOf(report, "fit.forms_messaging.time", f.Forms.Time, false)
	twoOf(report, "fit.forms_messaging.loss", f.Forms.Loss, false)
	twoOf(report, "fit.forms_messaging.rate", f.Forms.Rate, true)
	twoOf(report, "fit.file_transfer.time", f.File.Time, false)
	twoOf(report, "fit.file_transfer.loss", f.File.Loss, false)
}

// twoOf checks a preferred value and a limit.
func twoOf[T int | time.Duration | Ratio | BitRate](report reporter, key string, values []T, atLeast bool) {
	switch {
	case len(values) != 2:
		report(key, fmt.Sprintf("has %d values", len(values)), "write two: what is preferred, and the limit")
	case atLeast && values[0] < values[1]:
		report(key, "the preferred value is below the limit, and both mean at least", "write the greater one first")
	case !atLeast && values[0] > values[1]:
		report(key, "the preferred value is above the limit, and both mean at most", "write the smaller one first")
	}
}
