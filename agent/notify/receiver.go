package notify

import (
	"errors"
	"fmt"
	"net/url"
	"slices"
	"time"

	"candlemark/agent/alarm"
	"candlemark/agent/secret"
)

// Kind is the protocol a receiver speaks.
type Kind string

const (
	Webhook      Kind = "webhook"      // POST of one alarm as JSON, see Message
	Alertmanager Kind = "alertmanager" // Alertmanager API v2
)

// Receiver says where alarms go.
type Receiver struct {
	Name            string
	Kind            Kind
	URL             string           // the webhook's address, or the Alertmanager's base address
	Severities      []alarm.Severity // empty is all
	RepeatEvery     time.Duration    // webhook: reminder while active; 0 is none
	ResendEvery     time.Duration    // Alertmanager: how often active alarms are posted again; 0 is 1 min
	Timeout         time.Duration    // of one request; 0 is 10 s
	BearerTokenFile string           // "" is none
	User            string           // basic authentication, with PasswordFile; "" is none
	PasswordFile    string
	GeneratorURL    string // Alertmanager: a page that shows the relay; "" is none
}

const (
	defaultTimeout = 10 * time.Second
	defaultResend  = time.Minute
)

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
	if r.Kind != Webhook && r.Kind != Alertmanager {
		fault("kind %q is not known; use webhook or alertmanager", r.Kind)
	}
	// The address itself is not repeated: its path may be a secret.
	if u, err := url.Parse(r.URL); err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
		fault("url is not an http:// or https:// address")
	} else if u.User != nil {
		fault("url holds a user name; use user and password_file instead")
	}
	for _, s := range r.Severities {
		if s != alarm.Critical && s != alarm.Warning && s != alarm.Notice {
			fault("severity %q is not known; use critical, warning or notice", s)
		}
	}
	if r.RepeatEvery < 0 || r.ResendEvery < 0 || r.Timeout < 0 {
		fault("a negative duration; use 0 for the usual value")
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

func (r Receiver) wants(s alarm.Severity) bool {
	return len(r.Severities) == 0 || slices.Contains(r.Severities, s)
}
