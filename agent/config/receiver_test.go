package config

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"candlemark/agent/alarm"
)

const mailed = least + `receivers:
  - {name: team, kind: smtp, server: "mail.example:587", from: relay@north.example, to: [ida@north.example, "Max <max@south.example>"], user: relay, password_file: /etc/candlemark/mail.password, quiet_when_acknowledged: true}
`

func TestMailReceiverIsReadAsItIsWritten(t *testing.T) {
	c, err := Parse([]byte(mailed), "f")
	if err != nil {
		t.Fatal(err)
	}
	want := []Receiver{{Name: "team", Kind: "smtp", Severities: []alarm.Severity{alarm.Critical, alarm.Warning, alarm.Notice},
		RepeatEvery: time.Hour, QuietWhenAcknowledged: true, Timeout: 10 * time.Second, Server: "mail.example:587", Encryption: "starttls",
		From: "relay@north.example", To: []string{"ida@north.example", "Max <max@south.example>"}, User: "relay", PasswordFile: "/etc/candlemark/mail.password"}}
	if diff := cmp.Diff(want, c.Receivers); diff != "" {
		t.Error(diff)
	}
}

func TestAFaultOfAReceiverSaysWhatToDo(t *testing.T) {
	with := func(old, new string) string {
		if !strings.Contains(mailed, old) {
			t.Fatalf("%q is not there to be replaced", old)
		}
		return strings.Replace(mailed, old, new, 1)
	}
	for _, tt := range []struct{ name, text, want string }{
		{"mail without a server", with(`server: "mail.example:587", `, ""), "receivers[0].server: is missing; add the mail server and its port, for example mail.example:587"},
		{"mail without a port", with(`"mail.example:587"`, "mail.example"), `receivers[0].server: "mail.example" is not a host and a port`},
		{"mail in the clear", with("user:", "encryption: none, user:"), "receivers[0].encryption: none would send alarms, and any password, in the clear over the network; set starttls or tls"},
		{"mail of an unknown encryption", with("user:", "encryption: ssl, user:"), `receivers[0].encryption: "ssl" is not one of starttls, tls, none`},
		{"mail from nobody", with("from: relay@north.example, ", ""), "receivers[0].from: is missing"},
		{"mail to nobody", with(`to: [ida@north.example, "Max <max@south.example>"], `, ""), "receivers[0].to: is missing; add who is told"},
		{"mail to no address", with("ida@north.example", "ida"), `receivers[0].to[0]: "ida" is not a mail address; write it like team@host.example`},
		{"mail with a web address", with("user:", "url: https://host.example, user:"), "receivers[0].url: has no meaning for a receiver of the kind smtp; remove it, or choose kind: webhook or alertmanager"},
		{"mail with a heartbeat", with("user:", "heartbeat_every: 1h, user:"), "receivers[0].heartbeat_every: has no meaning for a receiver of the kind smtp"},
		{"a heartbeat that costs too much", least + "receivers: [{name: r, kind: webhook, url: https://host.example, heartbeat_every: 1s}]\n", "receivers[0].heartbeat_every: 1s costs a metered link more than it tells; set 30s or more"},
		{"an alertmanager that is quiet", least + "receivers: [{name: r, kind: alertmanager, url: https://host.example, quiet_when_acknowledged: true}]\n", "receivers[0].quiet_when_acknowledged: has no meaning for a receiver of the kind alertmanager"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, err := Parse([]byte(tt.text), "f")
			if err == nil || !strings.Contains(err.Error(), tt.want) || strings.Count(err.Error(), "\n") > 0 {
				t.Errorf("got %v\nwant %s alone", err, tt.want)
			}
		})
	}
}

func TestMailInTheClearToThisBoardIsTaken(t *testing.T) {
	for _, host := range []string{"127.0.0.1:25", "localhost:25", "[::1]:25"} {
		text := strings.Replace(mailed, `"mail.example:587"`, `"`+host+`", encryption: none`, 1)
		if c, err := Parse([]byte(text), "f"); err != nil || c.Receivers[0].Encryption != "none" {
			t.Errorf("%s: %v", host, err)
		}
	}
}
