package main

import (
	"strings"
	"testing"

	"periph.io/x/conn/v3/gpio"

	"candlemark/agent/feed/contact"
)

func TestTheResistorAtTheFeedIsComparedWithWhatIsDeclared(t *testing.T) {
	for _, c := range []struct {
		name  string
		pull  contact.Pull
		level gpio.Level
		free  bool
		is    string
		words string
	}{
		{"down as declared", contact.PullDown, gpio.Low, true, isGood, "rests Low as declared; a reset leaves the feed off"},
		{"up as declared", contact.PullUp, gpio.High, true, isGood, "rests High as declared; a reset leaves the feed on"},
		{"up, and down is declared", contact.PullDown, gpio.High, true, isFault, "rests High, but pull: down is declared"},
		{"down, and up is declared", contact.PullUp, gpio.Low, true, isFault, "rests Low, but pull: up is declared"},
		{"driven", contact.PullDown, gpio.High, false, isUnknown, "cannot be seen"},
	} {
		got := checkResistor(contact.Wiring{Contact: contact.NormallyOpen, Pull: c.pull}, c.level, c.free)
		if got.Result != c.is || !strings.Contains(got.Detail, c.words) {
			t.Errorf("%s: %+v, want %q", c.name, got, c.words)
		}
	}
}
