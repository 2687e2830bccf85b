package config

import (
	"strings"
	"testing"
)

func TestADigestTellsWhatChangedAndNotHowItIsWritten(t *testing.T) {
	digest := func(text string) Digest {
		t.Helper()
		c, err := Parse([]byte(text), "f")
		if err != nil {
			t.Fatal(err)
		}
		d, err := c.Digest()
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	first := digest(least)
	if got := first.Since(nil); got != "first configuration, "+first.String() {
		t.Errorf("the first: %q", got)
	}
	if got := digest("# words\nsite: \"\"\n" + least + "log_level: info\n").Since(first); got != "" {
		t.Errorf("the same in other words: %q", got)
	}
	changed := digest(strings.Replace(least, "5Ah", "6Ah", 1) + "site: attic\n")
	if got := changed.Since(first); !strings.HasSuffix(got, ": packs, site") || !strings.Contains(got, first.String()) || !strings.Contains(got, changed.String()) {
		t.Errorf("changed: %q", got)
	}
	older := Digest{"gone": "x"}
	if got := first.Since(older); !strings.Contains(got, "relay") || !strings.HasSuffix(got, ", gone") {
		t.Errorf("from another version: %q", got)
	}
}
