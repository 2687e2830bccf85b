package main

import (
	"errors"
	"fmt"
	"io/fs"

	"periph.io/x/conn/v3/gpio"

	"candlemark/agent/config"
	"candlemark/agent/feed/contact"
	"candlemark/agent/gpioline"
	"candlemark/agent/hook"
	"candlemark/agent/notify"
)

// checkLocal looks at what tells alarms or switches the feed without a network.
// It changes no line: the feed must not blink because somebody checks it.
func checkLocal(cfg *config.Config, running bool) []finding {
	var found []finding
	if len(cfg.Receivers) == 0 && cfg.Signal.Buzzer == nil && cfg.Signal.Lamp == nil {
		found = append(found, finding{"who is told", isUnknown, "no receiver, buzzer or lamp is configured: alarms show only to who looks at page, status, log or metrics", "add one under receivers or signal"})
	}
	for _, r := range cfg.Receivers {
		if notify.Kind(r.Kind) == notify.Command {
			found = append(found, checkCommand("receiver "+r.Name, hook.Command{Args: r.Command, Timeout: r.Timeout}))
		}
	}
	for _, o := range []struct {
		what string
		out  *config.Output
	}{{"buzzer", cfg.Signal.Buzzer}, {"lamp", cfg.Signal.Lamp}} {
		if o.out != nil {
			found = append(found, checkLine(o.what, o.out.Chip, o.out.Line, running))
		}
	}
	f := cfg.Feed
	if f == nil {
		return found
	}
	if len(f.ShutdownCommand) > 0 {
		found = append(found, checkCommand("shutdown of the terminal", hook.Command{Args: f.ShutdownCommand, Timeout: f.ShutdownTakes}))
	}
	if f.Switch == nil {
		return append(found, finding{"feed switch", isGood, "none is configured: the plan is only advised", ""})
	}
	return append(found, checkSwitch(f.Switch, running)...)
}

func checkCommand(what string, c hook.Command) finding {
	if err := c.Check(); err != nil {
		return finding{what, isFault, err.Error(), "correct the command, or install the program"}
	}
	return finding{what, isGood, c.Args[0] + " can be run", ""}
}

func checkLine(what string, chip, line config.Line, running bool) finding {
	_, free, err := gpioline.Rest(string(chip), string(line))
	switch {
	case errors.Is(err, fs.ErrPermission):
		return finding{what, isFault, err.Error(), "let this user open the chip: add it to the group gpio, and log in again"}
	case err != nil:
		return finding{what, isFault, err.Error(), "name a chip and a line that the board has"}
	case !free && !running:
		return finding{what, isUnknown, fmt.Sprintf("line %s of chip %s is an output or in use", line, chip), "if nothing of yours drives it, choose another line"}
	}
	return finding{what, isGood, fmt.Sprintf("line %s of chip %s is there", line, chip), ""}
}

// checkSwitch compares the wiring declared with the level that its resistor holds.
func checkSwitch(s *config.FeedSwitch, running bool) []finding {
	found := []finding{checkLine("feed switch", s.Chip, s.Line, running)}
	if s.OpenLine != "" {
		found = append(found, checkLine("feed switch, second coil", s.Chip, s.OpenLine, running))
	}
	if w := wiring(s); w.Pull != contact.NoPull {
		if level, free, err := gpioline.Rest(string(s.Chip), string(s.Line)); err == nil {
			found = append(found, checkResistor(w, level, free))
		}
	}
	return found
}

// checkResistor judges the level of a line that nobody drives, where it is free.
func checkResistor(w contact.Wiring, level gpio.Level, free bool) finding {
	const what = "feed switch, resistor"
	switch {
	case !free:
		return finding{what, isUnknown, "the line is driven, so that its resistor cannot be seen", "check again after a reboot, with the agent stopped"}
	case bool(level) != (w.Pull == contact.PullUp):
		return finding{what, isFault, fmt.Sprintf("the line rests %s, but pull: %s is declared", level, w.Pull), "fit the resistor as declared: it decides what a reset leaves"}
	}
	return finding{what, isGood, fmt.Sprintf("the line rests %s as declared; a reset leaves the feed %s", level, w.Reset()), ""}
}
