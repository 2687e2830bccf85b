package config

import (
	"fmt"
	"net"
	"strconv"
	"strings"
	"unicode"
)

// elsewhere is what fed_from says of a board that no pack of the file feeds.
const elsewhere = "elsewhere"

// reporter takes a fault found by a check.
type reporter = func(key, what, remedy string)

// validate is the Check of everything that one key alone cannot show.
func validate(c *Config, report reporter) {
	label(report, "relay", c.Relay)
	label(report, "site", c.Site)
	validateListen(report, c.Listen)
	if len(c.Packs)+len(c.Targets)+len(c.Throughput)+len(c.Services) == 0 {
		report("packs", "neither a pack nor anything to probe is given, so there is nothing to do", "describe the pack under packs")
	}
	for _, path := range []struct{ key, value string }{{"journal", c.Journal}, {"control_socket", c.ControlSocket}} {
		if path.value == "" {
			report(path.key, "is empty", "write a path or remove the key")
		}
	}
	// sun_path of a Unix socket address holds 108 bytes with the closing zero (unix(7)).
	if len(c.ControlSocket) > 107 {
		report("control_socket", fmt.Sprintf("is %d bytes long; a socket's path may have 107", len(c.ControlSocket)), "choose a shorter path")
	}
	var packs, measured, receivers names
	for i, p := range c.Packs {
		key := fmt.Sprintf("packs[%d]", i)
		packs.add(report, key+".name", p.Name)
		if p.Name == elsewhere {
			report(key+".name", "is the word fed_from uses for no pack", "choose another name")
		}
		validatePack(report, key, p)
	}
	validateSensors(report, c.Packs)
	validateBoard(report, c.Board, packs.list)
	validateClock(report, c.Clock)
	validateData(report, c.Data)
	for i, t := range c.Targets {
		key := fmt.Sprintf("targets[%d]", i)
		measured.add(report, key+".name", t.Name)
		validateTarget(report, key, t)
	}
	for i, t := range c.Throughput {
		key := fmt.Sprintf("throughput[%d]", i)
		measured.add(report, key+".name", t.Name)
		validateThroughput(report, key, t, c.Data)
	}
	for i, v := range c.Services {
		key := fmt.Sprintf("services[%d]", i)
		measured.add(report, key+".name", v.Name)
		validateService(report, key, v)
	}
	validateFit(report, c.Fit)
	for i, r := range c.Receivers {
		key := fmt.Sprintf("receivers[%d]", i)
		receivers.add(report, key+".name", r.Name)
		if ownAccount[r.Name] {
			report(key+".name", fmt.Sprintf("%q is the name under which candlemark shows its own", r.Name), "choose another name")
		}
		validateReceiver(report, key, r)
	}
	used := outputs{}
	validateFeed(report, used, c.Feed, packs.list)
	validateForward(report, c.Forward)
	validateSignal(report, used, c.Signal)
}

// ownAccount are the accounts shown beside those of the receivers.
var ownAccount = map[string]bool{"feed": true, "buzzer": true, "lamp": true}

// names notices a name used twice. Targets, throughput and services share theirs,
// since all become the same label of the metrics.
type names struct {
	list []string
	keys map[string]string
}

func (n *names) add(report reporter, key, name string) {
	if name == "" {
		report(key, "is empty", "give it a name")
		return
	}
	const most = 40
	fits := len(name) <= most && strings.IndexFunc(name, func(r rune) bool {
		return r > unicode.MaxASCII || !(unicode.IsLetter(r) || unicode.IsDigit(r) || strings.ContainsRune("._-", r))
	}) < 0
	if !fits {
		report(key, fmt.Sprintf("%q is not a name", name), fmt.Sprintf("use letters, digits, dot, dash and underscore, %d at most", most))
		return
	}
	if n.keys == nil {
		n.keys = map[string]string{}
	}
	if first, twice := n.keys[name]; twice {
		report(key, fmt.Sprintf("%q is already the name at %s", name, first), "give each its own name")
		return
	}
	n.keys[name] = key
	n.list = append(n.list, name)
}

// label checks a text that becomes a label of every metric.
func label(report reporter, key, text string) {
	const most = 64
	switch {
	case key == "relay" && strings.TrimSpace(text) == "":
		report(key, "is empty", "name this relay")
	case len(text) > most:
		report(key, fmt.Sprintf("is %d bytes long", len(text)), fmt.Sprintf("use %d at most", most))
	case strings.ContainsFunc(text, func(r rune) bool { return !unicode.IsPrint(r) }):
		report(key, "holds a character that cannot be shown", "use letters, digits, spaces and punctuation on one line")
	}
}

func validateListen(report reporter, listen string) {
	host, port, err := net.SplitHostPort(listen)
	if err != nil {
		report("listen", fmt.Sprintf("%q is not an address with a port", listen), "write it like 127.0.0.1:27219 or [::1]:27219")
		return
	}
	if n, err := strconv.ParseUint(port, 10, 16); err != nil {
		report("listen", fmt.Sprintf("%q is not a port", port), "write a number up to 65535")
	} else if strconv.FormatUint(n, 10) != port {
		report("listen", fmt.Sprintf("%q is not a port", port), fmt.Sprintf("write %d", n))
	}
	if host != "" && !isHost(host) {
		report("listen", fmt.Sprintf("%q is not a host", host), "write an address of this board, for example 127.0.0.1")
	}
}

func validateBoard(report reporter, b Board, packs []string) {
	if b.FedFrom != elsewhere {
		known := false
		for _, p := range packs {
			known = known || p == b.FedFrom
		}
		switch word, close := nearest(b.FedFrom, packs); {
		case known:
		case close:
			report("board.fed_from", fmt.Sprintf("no pack is named %q", b.FedFrom), fmt.Sprintf("did you mean %q?", word))
		default:
			report("board.fed_from", fmt.Sprintf("no pack is named %q", b.FedFrom), "name one of the packs, or write elsewhere")
		}
		if !b.InsideShunt && b.DrawW == 0 {
			report("board.draw", "is missing: outside the shunt nothing measures what the board draws", "write the watts it draws, for example 4W")
		}
	}
	fullPath(report, "board.power_off_command", b.PowerOffCommand)
}
