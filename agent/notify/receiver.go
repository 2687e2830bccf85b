package notify

import (
	"errors"
	"fmt"
	"net"
	"net/mail"
	"net/netip"
	"net/url"
	"slices"
	"time"

	"candlemark/agent/alarm"
	"candlemark/agent/hook"
	"candlemark/agent/secret"
)

// Kind is the protocol a receiver speaks.
type Kind string

const (
	Webhook      Kind = "webhook"      // POST of one message as JSON, see Message
	Alertmanager Kind = "alertmanager" // Alertmanager API v2
	SMTP         Kind = "smtp"         // one mail for each message
	Command      Kind = "command"      // a program on the board, see Message
)

// Encryption is how a connection to a mail server is protected.
type Encryption string

const (
	StartTLS Encryption = "starttls" // begun in the clear, then TLS (RFC 3207), or nothing is sent
	TLS      Encryption = "tls"      // TLS from the first byte (RFC 8314)
	NoTLS    Encryption = "none"     // for a mail server on the board itself only
)

// Receiver says where alarms go.
type Receiver struct {
	Name       string
	Kind       Kind
	Severities []alarm.Severity // empty is all
	Timeout    time.Duration    // of one delivery; 0 is 10 s
	// RepeatEvery reminds of an alarm while it is active; 0 does not. Not for an Alertmanager.
	RepeatEvery time.Duration
	// QuietWhenAcknowledged leaves the reminders out while somebody knows of the alarm.
	QuietWhenAcknowledged bool
	// HeartbeatEvery says that the relay is there; 0 does not. Webhook and Alertmanager.
	HeartbeatEvery time.Duration

	URL             string        // the webhook's address, or the Alertmanager's base address
	ResendEvery     time.Duration // Alertmanager: how often active alarms are posted again; 0 is 1 min
	BearerTokenFile string        // "" is none
	User            string        // with PasswordFile; "" is none. SMTP: by PLAIN
	PasswordFile    string
	GeneratorURL    string // Alertmanager: a page that shows the relay; "" is none

	Server     string // SMTP: host and port
	Encryption Encryption
	From       string
	To         []string

	Command hook.Command // its Timeout is the receiver's
}

const (
	defaultTimeout = 10 * time.Second
	defaultResend  = time.Minute
)

// withDefaults fills in what was left out.
func (r Receiver) withDefaults() Receiver {
	if r.Timeout == 0 {
		r.Timeout = defaultTimeout
	}
	if r.ResendEvery == 0 {
		r.ResendEvery = defaultResend
	}
	if r.Encryption == "" {
		r.Encryption = StartTLS
	}
	r.Command.Timeout = r.Timeout
	return r
}

// check finds every fault of a receiver, with the remedy. It reads the
// credential files once, so that a missing one is noticed at the start.
func (r Receiver) check() error {
	var faults []error
	fault := func(format string, args ...any) {
		faults = append(faults, fmt.Errorf("receiver %q: "+format, append([]any{r.Name}, args...)...))
	}
	if r.Name == "" {
		fault("has no name; give it one")
	}
	switch r.Kind {
	case Webhook, Alertmanager:
		// The address itself is not repeated: its path may be a secret.
		if u, err := url.Parse(r.URL); err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
			fault("url is not an http:// or https:// address")
		} else if u.User != nil {
			fault("url holds a user name; use user and password_file instead")
		}
	case SMTP:
		r.checkMail(fault)
	case Command:
		if err := r.Command.Check(); err != nil {
			fault("%w", err)
		}
	default:
		fault("kind %q is not known; use webhook, alertmanager, smtp or command", r.Kind)
	}
	for _, s := range r.Severities {
		if s != alarm.Critical && s != alarm.Warning && s != alarm.Notice {
			fault("severity %q is not known; use critical, warning or notice", s)
		}
	}
	if r.RepeatEvery < 0 || r.ResendEvery < 0 || r.Timeout < 0 || r.HeartbeatEvery < 0 {
		fault("a negative duration; use 0 for the usual value")
	}
	if r.HeartbeatEvery > 0 && r.Kind != Webhook && r.Kind != Alertmanager {
		fault("a %s takes no heartbeat; remove it, or choose webhook or alertmanager", r.Kind)
	}
	if (r.User == "") != (r.PasswordFile == "") {
		fault("user and password_file go together; set both or none")
	}
	if r.BearerTokenFile != "" && r.PasswordFile != "" {
		fault("has two ways to authenticate; keep bearer_token_file or password_file")
	}
	for _, path := range []string{r.BearerTokenFile, r.PasswordFile} {
		if path == "" {
			continue
		}
		if _, err := secret.Read(path); err != nil {
			fault("%w", err)
		}
	}
	return errors.Join(faults...)
}

func (r Receiver) checkMail(fault func(string, ...any)) {
	host, _, err := net.SplitHostPort(r.Server)
	if err != nil || host == "" {
		fault("server is not a host and port; write it like mail.example:587")
	}
	switch r.Encryption {
	case StartTLS, TLS:
	case NoTLS:
		if !isLoopback(host) {
			fault("encryption none would send alarms, and any password, in the clear; use starttls or tls")
		}
	default:
		fault("encryption %q is not known; use starttls, tls or none", r.Encryption)
	}
	if _, err := mail.ParseAddress(r.From); err != nil {
		fault("from is not a mail address")
	}
	if len(r.To) == 0 {
		fault("to is empty; give at least one mail address")
	}
	for _, to := range r.To {
		if _, err := mail.ParseAddress(to); err != nil {
			fault("to holds %q, which is not a mail address", to)
		}
	}
}

// isLoopback says whether host is this board.
func isLoopback(host string) bool {
	a, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && a.IsLoopback()
}

func (r Receiver) wants(s alarm.Severity) bool {
	return len(r.Severities) == 0 || slices.Contains(r.Severities, s)
}
