package config

import (
	"fmt"
	"net/netip"
	"net/url"
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
	if t.Method != "icmp" && t.Timeout >= synRepeat {
		report(key+".timeout", fmt.Sprintf("%s is not below %s, when TCP repeats by itself and hides the loss", t.Timeout, synRepeat),
			"set 900ms or less, or choose method: icmp")
	}
	burst := time.Duration(t.Count-1)*t.Interval + t.Timeout
	if burst > longestBurst {
		report(key+".count", fmt.Sprintf("one probe of %d packets %s apart may take %s, and no other probe runs meanwhile", t.Count, short(t.Interval), short(burst)),
			"keep it under "+short(longestBurst)+": fewer packets, or a shorter interval")
	} else if burst > t.Every {
		report(key+".every", fmt.Sprintf("%s is shorter than one probe, which may take %s", short(t.Every), short(burst)),
			"set more, or fewer packets in count")
	}
}

func validateThroughput(report reporter, key string, t Throughput, data Data) {
	if !t.Down && !t.Up {
		report(key+".down", "neither down nor up is to be measured", "set one of them to true")
	}
	if t.Deadline >= t.Every {
		report(key+".deadline", fmt.Sprintf("%s is not shorter than every, %s", short(t.Deadline), short(t.Every)), "set less")
	}
	if data.PerDay > 0 && t.ByteBudget > data.PerDay {
		report(key+".byte_budget", "is more than data.per_day, so it could never run", "set less, or raise data.per_day")
	}
}

// validateLogin compares what a receiver is to be shown.
func validateLogin(report reporter, key, tokenFile, user, passwordFile string) {
	switch {
	case tokenFile != "" && (user != "" || passwordFile != ""):
		report(key+".token_file", "a receiver takes a token or a user and password, not both", "remove one")
	case user != "" && passwordFile == "":
		report(key+".password_file", "is missing beside user", "name the file that holds the password")
	case user == "" && passwordFile != "":
		report(key+".user", "is missing beside password_file", "add the user's name")
	}
}

func validateForward(report reporter, f *Forward) {
	if f == nil {
		return
	}
	if u, err := url.Parse(f.URL); f.URL != "" && (err != nil || (u.Scheme != "http" && u.Scheme != "https") || u.Hostname() == "" || u.User != nil) {
		report("forward.url", fmt.Sprintf("%q is not a web address without a password", f.URL), "write it like https://host.example/api/v1/write")
	}
	validateLogin(report, "forward", f.TokenFile, f.User, f.PasswordFile)
}

func validateReceiver(report reporter, key string, r Receiver) {
	validateSeverities(report, key, r.Severities, "nothing would ever be sent")
	if r.Kind == "command" {
		validateCommand(report, key, r)
		return
	}
	if len(r.Command) > 0 {
		report(key+".command", fmt.Sprintf("has no meaning for a receiver of the kind %s", r.Kind), "remove it, or choose kind: command")
	}
	u, err := url.Parse(r.URL)
	switch {
	case r.URL == "":
		report(key+".url", "is missing", "add where to post, for example https://host.example/path")
	case err != nil || (u.Scheme != "http" && u.Scheme != "https") || u.Hostname() == "" || !isHost(u.Hostname()):
		report(key+".url", fmt.Sprintf("%q is not a web address", r.URL), "write it like https://host.example/path")
	case u.User != nil:
		report(key+".url", "holds a password", "put it into a file and name that in password_file")
	case r.Kind == "alertmanager" && strings.Contains(u.Path, "/api/"):
		report(key+".url", fmt.Sprintf("holds the path of the interface, %s", u.Path), "write the address up to there")
	}
	validateLogin(report, key, r.TokenFile, r.User, r.PasswordFile)
	if r.Kind == "alertmanager" && r.RepeatEvery > 2*time.Minute {
		report(key+".repeat_every", fmt.Sprintf("%s is too long: an alertmanager takes an alarm for resolved 5 min after it last heard of it", short(r.RepeatEvery)),
			"set 2min or less")
	}
	if r.Timeout > r.RepeatEvery {
		report(key+".timeout", fmt.Sprintf("%s is longer than repeat_every, %s", short(r.Timeout), short(r.RepeatEvery)), "set less")
	}
}

// isHost says whether text is an IP address, or a host name by RFC 1123, section 2.1.
func isHost(text string) bool {
	if _, err := netip.ParseAddr(text); err == nil {
		return true
	}
	if len(text) == 0 || len(text) > 253 {
		return false
	}
	for part := range strings.SplitSeq(strings.TrimSuffix(text, "."), ".") {
		if part == "" || len(part) > 63 || part[0] == '-' || part[len(part)-1] == '-' {
			return false
		}
		for _, c := range []byte(part) {
			if !(c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '-') {
				return false
			}
		}
	}
	return true
}

// volts writes a voltage for people.
func volts(v Volts) string { return formatNumber(roundTo(float64(v), 4)) + " V" }

// short writes a duration without its zero parts: 45m, not 45m0s.
func short(d time.Duration) string {
	s := d.String()
	if strings.HasSuffix(s, "m0s") {
		s = strings.TrimSuffix(s, "0s")
	}
	if strings.HasSuffix(s, "h0m") {
		s = strings.TrimSuffix(s, "0m")
	}
	return s
}
