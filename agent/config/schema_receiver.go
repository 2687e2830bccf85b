package config

import (
	"time"

	"candlemark/agent/alarm"
)

// Receiver is somewhere alarms are sent.
type Receiver struct {
	// Name of the receiver. What waits for it is kept under this name.
	Name string `key:"name" need:"yes"`
	// A webhook gets each change as a JSON object, and smtp as a mail; a command is run once for each, with the webhook's object on its standard input; an alertmanager (version 2 API) gets again and again what is active.
	Kind string `key:"kind" need:"yes" oneof:"webhook alertmanager smtp command"`
	// Which alarms it gets.
	Severities []alarm.Severity `key:"severities" default:"critical warning notice" oneof:"critical warning notice"`
	// Time after which an alarm that is still active is told again. Left out: 15 min for a webhook, 1 h for smtp, 1 min for an alertmanager, never for a command.
	RepeatEvery time.Duration `key:"repeat_every" min:"10s" max:"24h"`
	// Whether an acknowledged alarm is left out of the repeats until its quiet ends. Not for an alertmanager, which has silences of its own.
	QuietWhenAcknowledged bool `key:"quiet_when_acknowledged" default:"false"`
	// Time between signs of life, so that somebody notices when they stop; 0s sends none. For webhook and alertmanager.
	HeartbeatEvery time.Duration `key:"heartbeat_every" default:"0s" min:"0s" max:"24h"`
	// Longest time one delivery may take.
	Timeout time.Duration `key:"timeout" default:"10s" min:"1s" max:"60s"`
	// Where to post: the whole address of a webhook, the base address of an alertmanager.
	URL string `key:"url"`
	// Full path and arguments of the command. No shell is involved.
	Command []string `key:"command"`
	// Mail server and port, such as mail.example:587. The port is 587 for starttls and 465 for tls in most places.
	Server string `key:"server"`
	// How mail is protected on its way: starttls, tls from the first byte, or none, for a mail server on this board itself. Left out: starttls.
	Encryption string `key:"encryption" oneof:"starttls tls none"`
	// Mail address of the sender.
	From string `key:"from"`
	// Mail addresses of those who are told.
	To []string `key:"to"`
	// Path of a file that holds a bearer token.
	TokenFile string `key:"token_file"`
	// User name for basic authentication, or for the login at a mail server.
	User string `key:"user"`
	// Path of a file that holds that user's password.
	PasswordFile string `key:"password_file"`
}
