package config

import (
	"fmt"
	"net/netip"
	"net/url"
	"strings"
	"time"
)

func validateData(report reporter, d Data) {
	if strings.ContainsAny(d.Interface, "/ \t\n") || len(d.Interface) > 15 { // IFNAMSIZ of Linux is 16 with the closing zero
		report("data.interface", fmt.Sprintf("%q is not the name of an interface", d.Interface), "write it like eth0, or remove it")
	}
	if d.PerDay > 0 && d.PerMonth > 0 && d.PerDay > d.PerMonth {
		report("data.per_day", "is more than data.per_month", "set less, or raise data.per_month")
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
