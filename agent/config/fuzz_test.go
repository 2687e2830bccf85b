package config

import (
	"errors"
	"strings"
	"testing"
)

// FuzzParse: whatever the file holds, there is either a configuration or a list
// of faults, each with a place in the file, something to say and something to do.
func FuzzParse(f *testing.F) {
	f.Add(Example())
	f.Add([]byte(least))
	for _, s := range []string{"", "a", "- a", "relay: &x {a: *x}", "? {a: b}\n: c", "relay: !!int 1", "<<: *a", "{", "relay: |\n  a\n", "packs: [[[", "packs: [~, null, {}]", "1: 2", "---\n...\n---"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		c, err := Parse(data, "f")
		if err == nil {
			if c == nil || c.Relay == "" || len(c.Packs)+len(c.Targets) == 0 {
				t.Fatalf("accepted %+v", c)
			}
			return
		}
		var faults *Faults
		if !errors.As(err, &faults) || len(faults.List) == 0 {
			t.Fatalf("%T: %v", err, err)
		}
		for _, fault := range faults.List {
			if fault.Line < 1 || fault.Column < 1 || fault.What == "" || fault.Remedy == "" {
				t.Fatalf("%+v", fault)
			}
		}
	})
}

func TestDeepNestingIsAFaultAndNotTheEnd(t *testing.T) {
	for _, open := range []string{"[", "{a: ", "- ", "[{a: "} {
		_, err := Parse([]byte(strings.Repeat(open, maxSize/len(open))), "f")
		var faults *Faults
		if !errors.As(err, &faults) || !strings.Contains(err.Error(), "is nested more than 32 deep") {
			t.Errorf("%q repeated: %.200v", open, err)
		}
	}
}
