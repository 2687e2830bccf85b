package feed

import (
	"strings"
	"testing"
	"time"
)

func TestSetupCheck(t *testing.T) {
	if err := usual().Check(); err != nil {
		t.Error(err)
	}
	bad := Setup{TerminalW: -1, Reserve: -1, LongestOff: time.Second}
	for _, words := range []string{"terminal power", "reserve", "longest time off"} {
		if err := bad.Check(); err == nil || !strings.Contains(err.Error(), words) {
			t.Errorf("%v does not speak of the %s", err, words)
		}
	}
}
