package config

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"candlemark/agent/alarm"
)

// wired is a configuration with everything that needs no network.
const wired = least + `feed:
  terminal_draw: 45W
  shutdown_command: [/usr/local/bin/stop-terminal, now]
  switch: {line: 17, contact: normally_closed, active_level: low, pull: up, dead_board_leaves: on}
signal:
  buzzer: {chip: gpiochip1, line: GPIO22}
  lamp: {line: 23, active_level: low}
  severities: [critical, warning]
  quiet_from: 22:00
  quiet_to: "06:30"
receivers:
  - {name: siren, kind: command, command: [/usr/local/bin/siren, loud], timeout: 20s}
`

func TestFeedAndSignalAreReadAsTheyAreWritten(t *testing.T) {
	c, err := Parse([]byte(wired), "f")
	if err != nil {
		t.Fatal(err)
	}
	feed := &Feed{Pack: "a", TerminalDrawW: 45, Reserve: 10 * time.Minute, WarnFor: 2 * time.Minute, ShutdownCommand: []string{"/usr/local/bin/stop-terminal", "now"},
		ShutdownTakes: time.Minute, StartUp: 3 * time.Minute, LongestOff: 12 * time.Hour,
		Switch: &FeedSwitch{"0", "17", "", "normally_closed", "low", "up", "on"}}
	signal := Signal{&Output{"gpiochip1", "GPIO22", "high"}, &Output{"0", "23", "low"}, []alarm.Severity{alarm.Critical, alarm.Warning},
		TimeOfDay(22 * time.Hour), TimeOfDay(6*time.Hour + 30*time.Minute)}
	siren := Receiver{Name: "siren", Kind: "command", Command: []string{"/usr/local/bin/siren", "loud"}, Timeout: 20 * time.Second,
		Severities: []alarm.Severity{alarm.Critical, alarm.Warning, alarm.Notice}}
	if diff := cmp.Diff(feed, c.Feed) + cmp.Diff(signal, c.Signal) + cmp.Diff([]Receiver{siren}, c.Receivers); diff != "" {
		t.Errorf("-want +got\n%s", diff)
	}
	if c, err := Parse([]byte(least), "f"); err != nil || c.Feed != nil || c.Signal.Buzzer != nil || c.Signal.Lamp != nil {
		t.Errorf("without them there is %+v %+v, %v", c.Feed, c.Signal, err)
	}
}

func TestAFaultOfFeedOrSignalSaysWhatToDo(t *testing.T) {
	with := func(old, new string) string {
		if !strings.Contains(wired, old) {
			t.Fatalf("%q is not there to be replaced", old)
		}
		return strings.Replace(wired, old, new, 1)
	}
	second := strings.Replace(least[strings.Index(least, "  - name"):], "name: a", "name: b", 1)
	second = strings.Replace(second, "3A", "3A, address: 0x41", 1)
	for _, tt := range []struct{ name, text, want string }{
		{"a path for a clock chip", least + "clock: {chip: /dev/rtc0}\n", `clock.chip: "/dev/rtc0" is not the name of a clock chip; write it as in /sys/class/rtc: rtc0`},
		{"commands without a token", least + "actions: {}\n", `actions.token_file: is missing`},
		{"two packs and none named", with(least, least+second), `feed.pack: is missing: there is more than one pack; name the one that feeds the terminal`},
		{"a pack that is not there", with("feed:\n", "feed:\n  pack: x\n"), `f:9:9: feed.pack: no pack is named "x"; did you mean "a"?`},
		{"a pack that is nowhere near", with("feed:\n", "feed:\n  pack: workshop\n"), `no pack is named "workshop"; name one of the packs`},
		{"a shutdown by a bare word", with("/usr/local/bin/stop-terminal", "poweroff"), `feed.shutdown_command: "poweroff" is not a full path; write the program's path from the root`},
		{"no time left to be off", with("feed:\n", "feed:\n  longest_off: 5min\n  shutdown_takes: 5min\n"), "feed.longest_off: 5m is too short beside shutdown_takes, 5m; set 6m or more"},
		{"latching with one coil", with("contact: normally_closed", "contact: latching"), "feed.switch.open_line: is missing: a latching contact has a second coil, which opens it; name its line"},
		{"two coils without latching", with("line: 17,", "line: 17, open_line: 18,"), "feed.switch.open_line: has no meaning for a normally_closed contact"},
		{"one line for two things", with("line: 23", "line: 17"), "line 17 of chip 0 is already used at feed.switch.line; give each its own line"},
		{"a line that is a phrase", with("line: 23", `line: "pin 23"`), `"pin 23" is neither a number nor a name; write it like 17, GPIO17 or gpiochip0`},
		{"no contact", with("contact: normally_closed, ", ""), "feed.switch.contact: is missing; add contact: normally_open"},
		{"a dead board that is not declared", with(", dead_board_leaves: on", ""), "feed.switch.dead_board_leaves: is missing"},
		{"a time that is none", with(`"06:30"`, `"25:00"`), `signal.quiet_to: "25:00" is not a time of day; write it like 22:00`},
		{"a severity twice", with("[critical, warning]", "[warning, warning]"), `signal.severities[1]: "warning" is there already`},
		{"a command without one", with("command: [/usr/local/bin/siren, loud], ", ""), "receivers[0].command: is missing; write the program's full path"},
		{"a command by a bare word", with("/usr/local/bin/siren", "siren"), `receivers[0].command: "siren" is not a full path`},
		{"a command with an address", with("timeout: 20s", "url: https://host.example"), "receivers[0].url: has no meaning for a receiver of the kind command"},
		{"a command with a heartbeat", with("timeout: 20s", "heartbeat_every: 5min"), "receivers[0].heartbeat_every: has no meaning for a receiver of the kind command; remove it, or choose kind: webhook or alertmanager"},
		{"a webhook with a command", with("kind: command", "kind: webhook, url: https://host.example"), "receivers[0].command: has no meaning for a receiver of the kind webhook"},
		{"a webhook without an address", with("kind: command, command: [/usr/local/bin/siren, loud]", "kind: webhook"), "receivers[0].url: is missing; add where to post"},
		{"a name that is taken", with("name: siren", "name: lamp"), `"lamp" is the name under which candlemark shows its own; choose another name`},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, err := Parse([]byte(tt.text), "f")
			if err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("got %v\nwant %s", err, tt.want)
			}
			if err != nil && strings.Count(err.Error(), "\n") > 0 {
				t.Errorf("more than one fault:\n%v", err)
			}
		})
	}
}
