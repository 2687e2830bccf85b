package contact

import (
	"os"
	"strings"
	"testing"

	"candlemark/agent/gpioline"
)

// TestSwitchOnAChip drives a line that nothing hangs on; see gpioline's TestOnAChip.
func TestSwitchOnAChip(t *testing.T) {
	chip, line, ok := strings.Cut(os.Getenv("CANDLEMARK_TEST_GPIO"), ":")
	if !ok {
		t.Skip("CANDLEMARK_TEST_GPIO does not name a chip:line that may be driven")
	}
	rest, _, err := gpioline.Rest(chip, line)
	if err != nil {
		t.Fatal(err)
	}
	w := Wiring{Contact: NormallyOpen, ActiveLow: bool(rest), Wanted: LeavesOff}
	w.Pull = w.idle()
	s, lines, err := OpenSwitch(w, Lines{Chip: chip, Drive: line}, true)
	if err != nil {
		t.Fatal(err)
	}
	defer lines.Close()
	if level, err := s.pins.ReadBack(); err != nil || level != w.Level(true) {
		t.Errorf("not on from the first: %s, %v", level, err)
	}
	for _, on := range []bool{false, true, false} {
		if err := s.Set(on); err != nil {
			t.Error(err)
		}
	}
}

func TestOpenSwitchSaysWhatIsMissing(t *testing.T) {
	for _, w := range []Wiring{open(false), {Contact: Latching, Pull: NoPull, Wanted: LeavesAsIs}} {
		if _, _, err := OpenSwitch(w, Lines{Chip: "9999", Drive: "0", Open: "1"}, true); err == nil || !strings.Contains(err.Error(), "/dev/gpiochip9999") {
			t.Errorf("error %v", err)
		}
	}
	if _, _, err := OpenSwitch(Wiring{}, Lines{}, true); err == nil {
		t.Error("a wiring that was not declared was taken")
	}
}
