package config

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"candlemark/agent/alarm"
	"candlemark/agent/pack"
	"candlemark/probes"
	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

// least is the smallest configuration of one pack, for tests to vary.
const least = `relay: barn
packs:
  - name: a
    chemistry: li-ion
    series_cells: 5
    capacity: 5Ah
    sensor: {shunt: 100mΩ, shunt_rating: 2W, largest_load: 3A}
`

func TestTheExampleIsReadAsItIsWritten(t *testing.T) {
	c, err := Parse(Example(), "example.yaml")
	if err != nil {
		t.Fatal(err)
	}
	five := Celsius(5)
	all := []alarm.Severity{alarm.Critical, alarm.Warning, alarm.Notice}
	want := &Config{
		Relay: "barn-3", Site: "north field, beside the gate", Listen: "127.0.0.1:27219",
		Journal: "/var/lib/candlemark/journal.db", ControlSocket: "/run/candlemark/control.sock", LogLevel: "info", LogFormat: "text",
		Board: Board{FedFrom: "router", InsideShunt: true, DrawW: 4, PowerOffCommand: []string{"/usr/bin/systemctl", "poweroff"}, PowerOffAt: 5 * time.Minute},
		Packs: []Pack{{
			Name: "router", Chemistry: pack.LiIon, SeriesCells: 5, Capacity: 5, Full: 21, Cutoff: 15, Lockout: 15.5,
			Sensor: Sensor{Kind: "ina219", Bus: "i2c-1", Address: 0x40, Shunt: 0.1, ShuntTolerance: 0.01, ShuntRating: 2, LargestLoad: 1.5,
				Side: "load", Grade: "A", SimulatedLoad: 30},
			SampleEvery: time.Second, StaleAfter: 10 * time.Second, Temperature: &Temperature{Fixed: &five},
			Leads: Leads{45 * time.Minute, 15 * time.Minute},
		}, {
			// 4 lfp cells: 14.6 V full (checks.md D2), 11.2 V cut-off (the cautious end of D2).
			Name: "terminal", Chemistry: pack.LFP, SeriesCells: 4, Capacity: 50, Full: 14.6, Cutoff: 11.2, FarEndMinimum: 10.5, FeedResistance: 0.07,
			Sensor: Sensor{Kind: "ina219", Bus: "i2c-1", Address: 0x41, Shunt: 0.01, ShuntTolerance: 0.01, ShuntRating: 3, LargestLoad: 10,
				Side: "load", Grade: "A", SimulatedLoad: 30},
			SampleEvery: 2 * time.Second, StaleAfter: 10 * time.Second, Leads: Leads{45 * time.Minute, 15 * time.Minute},
		}},
		Targets: []Target{
			{"router", probes.Hop, "192.0.2.1", "auto", 0, "", 30 * time.Second, 10, 200 * time.Millisecond, 900 * time.Millisecond},
			{"terminal", probes.Hop, "192.0.2.254", "icmp", 0, "", 30 * time.Second, 10, 200 * time.Millisecond, 900 * time.Millisecond},
			{"outside", probes.Uplink, "198.51.100.7", "tcp_connect", 443, "", time.Minute, 10, 200 * time.Millisecond, 900 * time.Millisecond},
			{"near-end", probes.Hop, "192.0.2.7", "stamp", 0, "/etc/candlemark/stamp.key", 30 * time.Second, 10, 200 * time.Millisecond, 900 * time.Millisecond},
		},
		Throughput: []Throughput{
			{Name: "wide-area", Section: probes.Uplink, Every: 6 * time.Hour, Streams: 4, ByteBudget: 20e6, Deadline: 30 * time.Second, Down: true, Up: true},
			{Name: "hop-rate", Section: probes.Hop, Every: 12 * time.Hour, Reflector: "http://192.0.2.7:18621", TokenFile: "/etc/candlemark/reflector.token",
				Packets: &Packets{18620, "/etc/candlemark/stamp.key"}, UnderLoad: 4 * time.Second, LinkRate: 100e6,
				Streams: 4, ByteBudget: 60e6, Deadline: 30 * time.Second, Down: true, Up: true},
			{Name: "own-file", Section: probes.Uplink, Every: 12 * time.Hour, Source: "https://files.example/test-data.bin",
				Streams: 4, ByteBudget: 20e6, Deadline: 30 * time.Second, Down: true},
		},
		Services: []Service{
			{Name: "forms", Section: probes.Uplink, Page: "https://forms.example/", Marker: "Sign in", Every: 5 * time.Minute, Deadline: 10 * time.Second, ByteLimit: 64 << 10},
			{Name: "mail", Section: probes.Uplink, Connect: "mail.example:993", Every: 5 * time.Minute, Deadline: 10 * time.Second, ByteLimit: 64 << 10},
			{Name: "names", Section: probes.Uplink, Resolve: "relief.example", Every: 5 * time.Minute, Deadline: 10 * time.Second, ByteLimit: 64 << 10},
		},
		Fit: Fit{
			UsableShare: 0.75,
			Voice: VoiceNeeds{[]time.Duration{150 * time.Millisecond, 400 * time.Millisecond}, []time.Duration{50 * time.Millisecond, 100 * time.Millisecond},
				[]Ratio{0.01, 0.03}, []int{80, 70}, []BitRate{100e3, 100e3}, "set in the configuration"},
			VideoMeeting: VideoNeeds{[]time.Duration{150 * time.Millisecond, 400 * time.Millisecond}, []time.Duration{50 * time.Millisecond, 100 * time.Millisecond},
				[]Ratio{0.01, 0.02}, []BitRate{2e6, 1e6}, "set in the configuration"},
			Forms: FormsNeeds{10e3, []time.Duration{2 * time.Second, 4 * time.Second}, []Ratio{0.01, 0.05}, []BitRate{100e3, 50e3}, "set in the configuration"},
			File:  FileNeeds{10e6, []time.Duration{15 * time.Second, time.Minute}, []Ratio{0.01, 0.05}, "set in the configuration"},
		},
		Data: Data{PerDay: 500e6, PerMonth: 10e9, ForwardShare: 0.5, Reserve: time.Hour, QuietBelow: 50e3, QuietWait: 30 * time.Minute},
		Receivers: []Receiver{
			{Name: "operator", Kind: "webhook", URL: "https://alerts.example/candlemark", Severities: all, RepeatEvery: 15 * time.Minute, Timeout: 10 * time.Second, TokenFile: "/etc/candlemark/operator.token"},
			{Name: "remote-team", Kind: "alertmanager", URL: "https://alertmanager.example:9093", Severities: all[:2], RepeatEvery: time.Minute, Timeout: 10 * time.Second},
		},
		Signal: Signal{Severities: all},
	}
	near := cmpopts.EquateApprox(1e-12, 0)
	if diff := cmp.Diff(want, c, near); diff != "" {
		t.Errorf("-want +got\n%s", diff)
	}
}

// The usual voltages of packs as they are sold: checks.md D1, D2, D4 (common practice, no source).
func TestVoltagesLeftOutFollowTheChemistry(t *testing.T) {
	for _, tt := range []struct {
		chemistry    string
		cells        string
		full, cutoff Volts
	}{{"li-ion", "5", 21, 15}, {"lfp", "4", 14.6, 11.2}, {"lead-acid", "6", 14.4, 10.5}} {
		text := strings.NewReplacer("li-ion", tt.chemistry, "cells: 5", "cells: "+tt.cells).Replace(least)
		c, err := Parse([]byte(text), "f")
		if err != nil {
			t.Fatal(err)
		}
		if c.Packs[0].Full != tt.full || c.Packs[0].Cutoff != tt.cutoff {
			t.Errorf("%s × %s: full %v cutoff %v, want %v %v", tt.chemistry, tt.cells, c.Packs[0].Full, c.Packs[0].Cutoff, tt.full, tt.cutoff)
		}
	}
}

func TestAllFaultsAreReportedAtOnceInTheOrderOfTheFile(t *testing.T) {
	const text = `relay: barn
lisen: 127.0.0.1:80
packs:
  - name: a
    chemistry: lion
    series_cells: five
    capacity: 5
    sensor:
      shunt: 0.1
      shunt_rating: 2W
      largest_load: 3A
    sample_every: 50ms
    cutof: 15V
  - name: a
    chemistry: lfp
    series_cells: 4
    capacity: 5Ah
    sensor: {shunt: 100mΩ, shunt_rating: 2V, largest_load: 3A, addres: 0x41}
targets:
  - {name: out, section: uplink, address: 192.0.2.1, method: tcp_connect}
`
	_, err := Parse([]byte(text), "c.yaml")
	want := strings.TrimSpace(`
c.yaml:2:1: lisen: unknown key; did you mean "listen"?
c.yaml:5:16: packs[0].chemistry: "lion" is not one of li-ion, lfp, lead-acid; did you mean "li-ion"?
c.yaml:6:19: packs[0].series_cells: "five" is not a whole number; write digits only, without quotes or unit
c.yaml:7:15: packs[0].capacity: 5 has no unit; write 5Ah
c.yaml:9:14: packs[0].sensor.shunt: 0.1 has no unit; write 100mΩ or 0.1Ω
c.yaml:12:19: packs[0].sample_every: 50ms is below 200ms; set 200ms or more
c.yaml:13:5: packs[0].cutof: unknown key; did you mean "cutoff"?
c.yaml:14:11: packs[1].name: "a" is already the name at packs[0].name; give each its own name
c.yaml:18:42: packs[1].sensor.shunt_rating: "V" is not a unit for this; write it like 2W
c.yaml:18:64: packs[1].sensor.addres: unknown key; did you mean "address"?
c.yaml:20:5: targets[0].port: is missing: tcp_connect needs one; add port: 443, or choose method: icmp
`)
	// Nothing says that both sensors stand at 0x40: the second one's address is only misspelt.
	if diff := cmp.Diff(strings.Split(want, "\n"), strings.Split(err.Error(), "\n")); diff != "" {
		t.Errorf("-want +got\n%s", diff)
	}
}

func TestAFaultSaysWhereWhatAndWhatToDo(t *testing.T) {
	target := func(s string) string { return least + "targets:\n  - {name: t, section: hop, " + s + "}\n" }
	receiver := func(s string) string {
		return least + "receivers:\n  - {name: r, kind: alertmanager, url: https://host.example, " + s + "}\n"
	}
	transfer := func(s string) string { return least + "throughput: [{name: w, " + s + "}]\n" }
	service := func(s string) string { return least + "services: [{name: s, " + s + "}]\n" }
	packKey := func(s string) string { return least + "    " + s + "\n" }
	for _, tt := range []struct{ name, text, want string }{
		{"empty file", "", `f:1:1: relay: is missing; add relay: TEXT`},
		{"only a comment", "# nothing\n", `relay: is missing`},
		{"a list", "- a\n", "f:1:1: is not a list of keys and values"},
		{"a word", "hello\n", "f:1:1: is not a list of keys and values"},
		{"broken YAML", "relay: [a\n", "is not YAML"},
		{"not UTF-8", "relay: \xff\n", "is not UTF-8 text"},
		{"two documents", least + "---\nrelay: b\n", "f:9:1: holds more than one document"},
		{"key twice", least + "relay: other\n", "f:8:1: relay: is given twice, first on line 1"},
		{"unknown key far from any", "xyzzyxyzzy: 1\n", `f:1:1: xyzzyxyzzy: unknown key; remove it; the nearest key here is "`},
		{"neighbours swapped", "realy: a\n", `did you mean "relay"?`},
		{"no value", "relay:\n", "f:1:1: relay: has no value"},
		{"list where a value belongs", "relay: [a]\n", "f:1:8: relay: wants a single value, but a list stands here"},
		{"value where a list belongs", "relay: a\npacks: none\n", "f:2:8: packs: wants a list"},
		{"value where keys belong", "relay: a\nboard: none\n", "f:2:8: board: wants keys of its own"},
		{"list where keys belong", "relay: a\nboard: [1]\n", "f:2:8: board: wants keys and values, but a list stands here"},
		{"keys where a list belongs", "relay: a\npacks: {name: a}\n", "packs: wants a list, but a group of keys stands here"},
		{"number as text", "relay: 12\n", `relay: 12 is a whole number, not text; put it in quotes if it is meant: "12"`},
		{"text as yes or no", least + "board: {inside_shunt: yes}\n", "write true or false"},
		{"anchor", "relay: &x barn\n", "relay: anchors, aliases and tags are not used here"},
		{"alias", least + "site: *x\n", "anchors, aliases and tags are not used here"},
		{"merge", least + "board:\n  <<: {draw: 1W}\n", "board.<<: merged mappings are not used here"},
		{"nothing to do", "relay: a\n", "f:1:1: packs: neither a pack nor anything to probe is given"},
		{"listen without port", least + "listen: localhost\n", "f:8:9: listen: \"localhost\" is not an address with a port"},
		{"listen with a wild port", least + "listen: 127.0.0.1:70000\n", `"70000" is not a port`},
		{"listen on nonsense", least + "listen: \"a b:80\"\n", `"a b" is not a host`},
		{"socket path too long", least + "control_socket: /" + strings.Repeat("x", 120) + "\n", "is 121 bytes long; a socket's path may have 107"},
		{"board fed from a pack that is not there", least + "board: {fed_from: b}\n", `board.fed_from: no pack is named "b"; did you mean "a"?`},
		{"board outside the shunt without watts", least + "board: {fed_from: a, inside_shunt: false}\n", "board.draw: is missing"},
		{"power-off by a bare word", least + "board: {power_off_command: [poweroff]}\n", "is not a full path"},
		{"name with a space", strings.Replace(least, "name: a", "name: a b", 1), `packs[0].name: "a b" is not a name`},
		{"no cells", strings.Replace(least, "cells: 5", "cells: 0", 1), "0 is below 1; set 1 or more"},
		{"negative capacity", strings.Replace(least, "5Ah", "-5Ah", 1), "-5Ah is below 0.1Ah"},
		{"full voltage of other cells", packKey("full: 29.2V"), "f:8:11: packs[0].full: 29.2 V over 5 cells is 5.84 V a cell; li-ion cells are full at 4.45 V or less"},
		{"beyond the chip", strings.Replace(least, "cells: 5", "cells: 7", 1), "packs[0].full: 29.4 V is more than the INA219 stands, 26 V"},
		{"cut-off that damages", packKey("cutoff: 10V"), "packs[0].cutoff: 10 V over 5 cells is 2 V a cell, which damages li-ion cells; set 12.5 V or more"},
		{"cut-off above full", packKey("cutoff: 21V"), "packs[0].cutoff: 21 V is not below the full voltage of 21 V"},
		{"lock-out above full", packKey("lockout: 22V"), "packs[0].lockout: 22 V is not below the full voltage"},
		{"far end above full", packKey("far_end_minimum: 48V"), "packs[0].far_end_minimum: 48 V is not below"},
		{"leads in the wrong order", packKey("leads: {bring_next_pack: 10min}"), "f:8:30: packs[0].leads.bring_next_pack: 10m is not longer than shut_terminal_down, 15m"},
		{"stale before the second reading", packKey("sample_every: 10s\n    stale_after: 15s"), "packs[0].stale_after: 15s is less than two readings 10s apart; set 20s or more"},
		{"two temperatures", packKey("temperature: {file: /t, fixed: 5°C}"), "packs[0].temperature: wants either file or fixed"},
		{"no temperature", packKey("temperature: {}"), "packs[0].temperature: wants either file or fixed"},
		{"clipping accepted in other words", strings.Replace(least, "3A", `3A, clipping_accepted: "yes"`, 1), `write "readings above the limit are lost", or choose a shunt of lower resistance`},
		{"no shunt", strings.Replace(least, "shunt: 100mΩ, ", "", 1), "packs[0].sensor.shunt: is missing; write the resistance printed on it"},
		{"no such bus", strings.Replace(least, "3A", "3A, bus: spi0", 1), `"spi0" is not an I2C bus`},
		{"address that is none of the chip's", strings.Replace(least, "3A", "3A, address: 0x50", 1), "0x50 is above 0x4F"},
		{"target with a port in its address", target("address: 192.0.2.1:80"), "write address: 192.0.2.1 and port: 80"},
		{"target that is a web address", target("address: https://host.example"), "write the host alone"},
		{"target that is nonsense", target(`address: "a b"`), "neither a host name nor an address"},
		{"icmp with a port", target("address: 192.0.2.1, method: icmp, port: 80"), "port: has no meaning for icmp"},
		{"time-out that lets TCP repeat", target("address: 192.0.2.1, timeout: 1s"), "timeout: 1s is not below 1s, when TCP repeats by itself"},
		{"probe longer than its period", target("address: 192.0.2.1, every: 1s"), "every: 1s is shorter than one probe, which may take 2.7s"},
		{"stamp with a port in its address", target("address: 192.0.2.1:18620, method: stamp"), "write address: 192.0.2.1 and port: 18620"},
		{"a key for icmp", target("address: 192.0.2.1, method: icmp, key_file: /k"), "key_file: has a meaning for stamp only; remove it, or choose method: stamp"},
		{"a stamp burst longer than its period", target("address: 192.0.2.1, method: stamp, every: 5s, count: 20"), "every: 5s is shorter than one probe, which may take 7.4s"},
		{"two far ends", transfer("server: http://198.51.100.7, source: https://host.example/f, up: false"), "throughput[0].source: is one too many: a transfer has one far end; keep one of server, reflector and source"},
		{"a reflector without a token", transfer("reflector: http://192.0.2.7:18621"), "token_file: is missing: a reflector wants a token"},
		{"a reflector with a path", transfer("reflector: http://192.0.2.7/v1, token_file: /t"), "holds more than scheme, host and port; write it like http://192.0.2.7:18621"},
		{"a reflector with a password", transfer("reflector: http://u:p@192.0.2.7, token_file: /t"), "reflector: holds a user or password"},
		{"a reflector that is a host", transfer("reflector: 192.0.2.7, token_file: /t"), `"192.0.2.7" is not a web address`},
		{"a source to be measured up", transfer("source: https://host.example/f"), "up: a source takes nothing, so that only down can be measured; write up: false"},
		{"the public list on the hop", transfer("section: hop"), "section: the library's public list is not on the hop"},
		{"a token for the public list", transfer("token_file: /t"), "token_file: has a meaning for a reflector only; remove it"},
		{"packets for a source", transfer("source: https://host.example/f, up: false, packets: {}"), "packets: has a meaning for a reflector only"},
		{"load on a server", transfer("server: http://198.51.100.7, under_load: 4s"), "under_load: has a meaning for a reflector only"},
		{"load too short", transfer("reflector: http://192.0.2.7, token_file: /t, under_load: 100ms"), "under_load: 100ms is too short to measure anything; set 4s, or 0s for none"},
		{"a rate for a server", transfer("server: http://198.51.100.7, link_rate: 5Mbit/s"), "link_rate: has a meaning for a reflector or a source only"},
		{"certificates without https", transfer("reflector: http://192.0.2.7, token_file: /t, ca_file: /c"), "ca_file: has a meaning for an https reflector or source only"},
		{"a service that is nothing", service("every: 1min"), "services[0]: wants one of page, resolve and connect"},
		{"a service that is two", service("page: https://host.example, connect: host.example:80"), "services[0]: wants one of page, resolve and connect"},
		{"a page that is none", service("page: host.example"), `services[0].page: "host.example" is not a web address`},
		{"a name that is none", service(`resolve: "a b"`), `services[0].resolve: "a b" is not a host name`},
		{"a connection without a port", service("connect: host.example"), `services[0].connect: "host.example" is not a host with a port`},
		{"a marker without a page", service("resolve: host.example, marker: x"), "marker: has a meaning for a page only"},
		{"a marker longer than what is read", service("page: https://host.example, marker: welcome, byte_limit: 3B"), "marker: is longer than byte_limit"},
		{"a service slower than its period", service("resolve: host.example, every: 10s, deadline: 20s"), "deadline: 20s is not shorter than every, 10s"},
		{"one need of two", least + "fit: {voice: {loss: [1%]}}\n", "fit.voice.loss: has 1 values; write two: what is preferred, and the limit"},
		{"needs the wrong way round", least + "fit: {file_transfer: {time: [1min, 15s]}}\n", "fit.file_transfer.time: the preferred value is above the limit"},
		{"least needs the wrong way round", least + "fit: {forms_messaging: {rate: [50kbit/s, 100kbit/s]}}\n", "fit.forms_messaging.rate: the preferred value is below the limit"},
		{"a need without its unit", least + "fit: {video_meeting: {rate: [2, 1]}}\n", "fit.video_meeting.rate[0]: 2 has no unit; write 2Mbit/s"},
		{"no direction", least + "throughput: [{name: w, down: false, up: false}]\n", "neither down nor up"},
		{"a day beyond the month", least + "data: {per_day: 1GB, per_month: 900MB}\n", "per_day: is more than data.per_month"},
		{"an interface that is a path", least + "data: {interface: ../eth0}\n", "is not the name of an interface"},
		{"transfer beyond the day's budget", least + "data: {per_day: 10MB}\nthroughput: [{name: w}]\n", "byte_budget: is more than data.per_day"},
		{"same name for target and throughput", target("address: 192.0.2.1") + "throughput: [{name: t}]\n", `"t" is already the name at targets[0].name`},
		{"receiver at no address", strings.Replace(receiver("user: u, password_file: /p"), "https://host.example", "host", 1), `"host" is not a web address`},
		{"receiver with the password in the address", strings.Replace(receiver("timeout: 1s"), "https://", "https://u:p@", 1), "url: holds a password"},
		{"receiver with the path of the interface", strings.Replace(receiver("timeout: 1s"), ".example", ".example/api/v2/alerts", 1), "write the address up to there"},
		{"user without password", receiver("user: u"), "password_file: is missing beside user"},
		{"password without user", receiver("password_file: /p"), "user: is missing beside password_file"},
		{"token and user", receiver("user: u, password_file: /p, token_file: /t"), "a token or a user and password, not both"},
		{"severity that is none", receiver("severities: [critcal]"), `receivers[0].severities[0]: "critcal" is not one of critical, warning, notice; did you mean "critical"?`},
		{"severity twice", receiver("severities: [notice, notice]"), "is there already"},
		{"no severity", receiver("severities: []"), "is empty, so nothing would ever be sent"},
		{"alertmanager told too seldom", receiver("repeat_every: 10min"), "10m is too long"},
		{"time-out beyond the repeat", receiver("repeat_every: 10s, timeout: 20s"), "20s is longer than repeat_every, 10s"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, err := Parse([]byte(tt.text), "f")
			if err == nil {
				t.Fatal("accepted")
			}
			if !strings.Contains(err.Error(), tt.want) {
				t.Errorf("got\n%v\nwant a line with\n%s", err, tt.want)
			}
		})
	}
}

func TestTwoPacksOnOneChipAreRefusedHoweverTheBusIsWritten(t *testing.T) {
	second := strings.Replace(strings.SplitAfterN(least, "packs:\n", 2)[1], "name: a", "name: b", 1)
	for _, bus := range []string{"1", "i2c-1", "/dev/i2c-1"} {
		_, err := Parse([]byte(least+strings.Replace(second, "3A", "3A, bus: "+bus, 1)), "f")
		if err == nil || !strings.Contains(err.Error(), `packs[1].sensor.address: 0x40 on i2c-1 is already the sensor of pack "a"`) {
			t.Errorf("bus %s: %v", bus, err)
		}
	}
	if _, err := Parse([]byte(least+strings.Replace(second, "3A", "3A, bus: 2", 1)), "f"); err != nil {
		t.Errorf("another bus: %v", err)
	}
}

func TestAFurtherCheckIsPlacedAndItsConsequencesAreDropped(t *testing.T) {
	check := func(c *Config, report func(key, what, remedy string)) {
		report("packs[0].sensor.shunt", "clips", "take a smaller one")
		report("packs[0].capacity", "is odd", "")
	}
	_, err := Parse([]byte(strings.Replace(least, "5Ah", "5", 1)), "f", check)
	var faults *Faults
	if !errors.As(err, &faults) || len(faults.List) != 2 {
		t.Fatalf("got %v, want two faults", err)
	}
	want := Fault{"f", 7, 21, "packs[0].sensor.shunt", "clips", "take a smaller one"}
	if diff := cmp.Diff(want, faults.List[1]); diff != "" {
		t.Errorf("-want +got\n%s", diff)
	}
}

func TestLoad(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "c.yaml")
	if err := os.WriteFile(path, []byte("relay: barn\nlisten: x\n"+strings.Repeat("#", maxSize)), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Load(path); err == nil || !strings.Contains(err.Error(), "is larger than 64 kB") {
		t.Errorf("a large file: %v", err)
	}
	if _, err := Load(filepath.Join(dir, "none.yaml")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("an absent file: %v", err)
	}
	if _, err := Load(dir); err == nil {
		t.Error("a directory was accepted")
	}
	if err := os.WriteFile(path, []byte(least), 0o600); err != nil {
		t.Fatal(err)
	}
	if c, err := Load(path); err != nil || c.Packs[0].Capacity != 5 {
		t.Errorf("got %v, %v", c, err)
	}
}
