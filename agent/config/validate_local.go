package config

import (
	"fmt"
	"strings"
	"time"

	"candlemark/agent/alarm"
)

// outputs notices a line that is used twice.
type outputs map[string]string

func (o outputs) add(report reporter, key string, chip, line Line) {
	if chip == "" || line == "" {
		return // reported when it was read
	}
	at := strings.TrimPrefix(strings.TrimPrefix(string(chip), "/dev/"), "gpiochip") + "/" + string(line)
	if first, twice := o[at]; twice {
		report(key, fmt.Sprintf("line %s of chip %s is already used at %s", line, chip, first), "give each its own line")
		return
	}
	o[at] = key
}

func validateClock(report reporter, c Clock) {
	if n, ok := strings.CutPrefix(c.Chip, "rtc"); c.Chip != "" && (!ok || n == "" || strings.Trim(n, "0123456789") != "") {
		report("clock.chip", fmt.Sprintf("%q is not the name of a clock chip", c.Chip), "write it as in /sys/class/rtc: rtc0")
	}
}

func validateSignal(report reporter, used outputs, s Signal) {
	for _, o := range []struct {
		key string
		out *Output
	}{{"signal.buzzer", s.Buzzer}, {"signal.lamp", s.Lamp}} {
		if o.out != nil {
			used.add(report, o.key+".line", o.out.Chip, o.out.Line)
		}
	}
	validateSeverities(report, "signal", s.Severities, "nothing would ever be told")
}

func validateFeed(report reporter, used outputs, f *Feed, packs []string) {
	if f == nil {
		return
	}
	word, close := nearest(f.Pack, packs)
	switch {
	case len(packs) == 0:
		report("feed.pack", "there is no pack to feed the terminal from", "describe the pack under packs, or remove feed")
	case f.Pack == "":
		report("feed.pack", "is missing: there is more than one pack", "name the one that feeds the terminal")
	case word == f.Pack && close:
	case close:
		report("feed.pack", fmt.Sprintf("no pack is named %q", f.Pack), fmt.Sprintf("did you mean %q?", word))
	default:
		report("feed.pack", fmt.Sprintf("no pack is named %q", f.Pack), "name one of the packs")
	}
	fullPath(report, "feed.shutdown_command", f.ShutdownCommand)
	if least := f.ShutdownTakes + time.Minute; len(f.ShutdownCommand) > 0 && f.LongestOff < least {
		report("feed.longest_off", fmt.Sprintf("%s is too short beside shutdown_takes, %s", short(f.LongestOff), short(f.ShutdownTakes)), "set "+short(least)+" or more")
	}
	s := f.Switch
	if s == nil {
		return
	}
	used.add(report, "feed.switch.line", s.Chip, s.Line)
	used.add(report, "feed.switch.open_line", s.Chip, s.OpenLine)
	switch {
	case s.Contact == "latching" && s.OpenLine == "":
		report("feed.switch.open_line", "is missing: a latching contact has a second coil, which opens it", "name its line")
	case s.Contact != "latching" && s.OpenLine != "":
		report("feed.switch.open_line", fmt.Sprintf("has no meaning for a %s contact", s.Contact), "remove it, or choose contact: latching")
	}
}

// fullPath checks the first word of a command, where there is one.
func fullPath(report reporter, key string, command []string) {
	if len(command) > 0 && !strings.HasPrefix(command[0], "/") {
		report(key, fmt.Sprintf("%q is not a full path", command[0]), "write the program's path from the root, for example /usr/bin/systemctl")
	}
}

func validateSeverities(report reporter, key string, list []alarm.Severity, empty string) {
	if len(list) == 0 {
		report(key+".severities", "is empty, so "+empty, "remove it to send all")
	}
	seen := map[alarm.Severity]bool{}
	for i, s := range list {
		if seen[s] {
			report(fmt.Sprintf("%s.severities[%d]", key, i), fmt.Sprintf("%q is there already", s), "remove it")
		}
		seen[s] = true
	}
}
