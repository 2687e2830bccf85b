package config

import (
	"fmt"
	"net"
	"net/mail"
	"net/netip"
	"net/url"
	"slices"
	"strings"
	"time"
)

func validateReceiver(report reporter, key string, r Receiver) {
	validateSeverities(report, key, r.Severities, "nothing would ever be sent")
	foreignKeys(report, key, r)
	switch r.Kind {
	case "command":
		if len(r.Command) == 0 {
			report(key+".command", "is missing", "write the program's full path and its arguments: [/usr/local/bin/tell, loudly]")
		}
		fullPath(report, key+".command", r.Command)
	case "smtp":
		validateMail(report, key, r)
	case "webhook", "alertmanager":
		validateURL(report, key, r)
	}
	if r.Kind == "alertmanager" && r.RepeatEvery > 2*time.Minute {
		report(key+".repeat_every", fmt.Sprintf("%s is too long: an alertmanager takes an alarm for resolved 5 min after it last heard of it", short(r.RepeatEvery)),
			"set 2min or less")
	}
	if r.RepeatEvery > 0 && r.Timeout > r.RepeatEvery {
		report(key+".timeout", fmt.Sprintf("%s is longer than repeat_every, %s", short(r.Timeout), short(r.RepeatEvery)), "set less")
	}
	if h := r.HeartbeatEvery; h > 0 && h < shortestBeat {
		report(key+".heartbeat_every", fmt.Sprintf("%s costs a metered link more than it tells", short(h)), "set 30s or more")
	}
	validateLogin(report, key, r.TokenFile, r.User, r.PasswordFile)
}

// shortestBeat is judgement, no source.
const shortestBeat = 30 * time.Second

// foreignKeys reports what has no meaning for the kind.
func foreignKeys(report reporter, key string, r Receiver) {
	for _, o := range []struct {
		key   string
		given bool
		kinds []string // which it is for
	}{
		{"url", r.URL != "", []string{"webhook", "alertmanager"}},
		{"command", len(r.Command) > 0, []string{"command"}},
		{"server", r.Server != "", []string{"smtp"}},
		{"encryption", r.Encryption != "", []string{"smtp"}},
		{"from", r.From != "", []string{"smtp"}},
		{"to", len(r.To) > 0, []string{"smtp"}},
		{"token_file", r.TokenFile != "", []string{"webhook", "alertmanager"}},
		{"user", r.User != "", []string{"webhook", "alertmanager", "smtp"}},
		{"password_file", r.PasswordFile != "", []string{"webhook", "alertmanager", "smtp"}},
		{"heartbeat_every", r.HeartbeatEvery != 0, []string{"webhook", "alertmanager"}},
		{"quiet_when_acknowledged", r.QuietWhenAcknowledged, []string{"webhook", "smtp", "command"}},
	} {
		if o.given && r.Kind != "" && !slices.Contains(o.kinds, r.Kind) {
			report(key+"."+o.key, fmt.Sprintf("has no meaning for a receiver of the kind %s", r.Kind), "remove it, or choose kind: "+strings.Join(o.kinds, " or "))
		}
	}
}

func validateURL(report reporter, key string, r Receiver) {
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
}

func validateMail(report reporter, key string, r Receiver) {
	host, port, err := net.SplitHostPort(r.Server)
	switch {
	case r.Server == "":
		report(key+".server", "is missing", "add the mail server and its port, for example mail.example:587")
	case err != nil || !isHost(host) || port == "":
		report(key+".server", fmt.Sprintf("%q is not a host and a port", r.Server), "write it like mail.example:587")
	case r.Encryption == "none" && !thisBoard(host):
		report(key+".encryption", "none would send alarms, and any password, in the clear over the network", "set starttls or tls")
	}
	if r.From == "" {
		report(key+".from", "is missing", "add the sender's address, for example relay@host.example")
	} else if _, err := mail.ParseAddress(r.From); err != nil {
		report(key+".from", fmt.Sprintf("%q is not a mail address", r.From), "write it like relay@host.example")
	}
	if len(r.To) == 0 {
		report(key+".to", "is missing", "add who is told, for example [team@host.example]")
	}
	for i, to := range r.To {
		if _, err := mail.ParseAddress(to); err != nil {
			report(fmt.Sprintf("%s.to[%d]", key, i), fmt.Sprintf("%q is not a mail address", to), "write it like team@host.example")
		}
	}
}

func thisBoard(host string) bool {
	a, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && a.IsLoopback()
}
