package config

import (
	"flag"
	"os"
	"reflect"
	"strings"
	"testing"
)

func TestEveryKeyIsExplained(t *testing.T) {
	text, err := Reference()
	if err != nil {
		t.Fatal(err)
	}
	rows := 0
	for line := range strings.Lines(text) {
		cells := strings.Split(strings.Trim(strings.TrimSpace(line), "|"), " | ")
		if !strings.HasPrefix(line, "| `") {
			continue
		}
		rows++
		if len(cells) != 4 || strings.TrimSpace(cells[1]) == "" || !strings.HasSuffix(strings.TrimSpace(cells[3]), ".") {
			t.Errorf("row without value or meaning: %s", line)
		}
	}
	if want := keysOf(reflect.TypeFor[Config]()); rows != want {
		t.Errorf("%d rows for %d keys", rows, want)
	}
}

// keysOf counts the keys of the schema.
func keysOf(t reflect.Type) (n int) {
	for t.Kind() == reflect.Slice || t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	if t.Kind() != reflect.Struct {
		return 0
	}
	for i := range t.NumField() {
		if t.Field(i).Tag.Get("key") != "" {
			n += 1 + keysOf(t.Field(i).Type)
		}
	}
	return n
}

var update = flag.Bool("update", false, "write the reference table to where it is published")

// The tables are published in a document between two lines.
func TestTheReferenceIsTheOneThatIsPublished(t *testing.T) {
	const (
		path = "../../deploy/doc/configuration.md"
		from = "<!-- config-reference -->\n"
		to   = "<!-- /config-reference -->"
	)
	want, err := Reference()
	if err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	before, rest, opened := strings.Cut(string(text), from)
	got, after, closed := strings.Cut(rest, to)
	if !opened || !closed {
		t.Fatalf("%s: no line %q, or none %q after it", path, strings.TrimSpace(from), to)
	}
	if got == want {
		return
	}
	if !*update {
		t.Fatalf("%s is out of date: go test ./agent/config -run Published -update", path)
	}
	if err := os.WriteFile(path, []byte(before+from+want+to+after), 0o644); err != nil {
		t.Fatal(err)
	}
}
