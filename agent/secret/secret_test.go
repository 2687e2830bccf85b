package secret

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestRead(t *testing.T) {
	for _, tt := range []struct {
		name, text string
		mode       fs.FileMode
		want, err  string
	}{
		{"a line", "s3cret\n", 0o640, "s3cret", ""},
		{"no line end", "s3cret", 0o600, "s3cret", ""},
		{"readable by everybody", "s3cret", 0o644, "", "(mode 0644); chmod 640 it"},
		{"writable by everybody", "s3cret", 0o602, "", "(mode 0602); chmod 640 it"},
		{"two lines", "s3cret\nmore", 0o600, "", "want one line"},
		{"nothing", "\n", 0o600, "", "want one line"},
		{"too long", strings.Repeat("s", most+1), 0o600, "", "want one line"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "secret")
			if err := os.WriteFile(path, []byte(tt.text), 0o600); err != nil {
				t.Fatal(err)
			}
			if err := os.Chmod(path, tt.mode); err != nil { // whatever the umask
				t.Fatal(err)
			}
			got, err := Read(path)
			if got != tt.want || (err == nil) != (tt.err == "") || err != nil && !strings.Contains(err.Error(), tt.err) {
				t.Errorf("got %q, %v", got, err)
			}
			if err != nil && strings.Contains(err.Error(), "s3cret") {
				t.Errorf("the error tells the secret: %v", err)
			}
		})
	}
	if _, err := Read(filepath.Join(t.TempDir(), "none")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("no file: %v", err)
	}
}

func TestExcerpt(t *testing.T) {
	for _, tt := range []struct{ answer, want string }{
		{"no such field", ": no such field"},
		{"not with s3cret\x1b\n", ": not with (secret)"},
		{"a long answer is cut at its thirtieth", ": a long answer is cut at its th"},
		{"\n", ""},
	} {
		if got := Excerpt([]byte(tt.answer), 30, "", "s3cret"); got != tt.want {
			t.Errorf("%q: %q, want %q", tt.answer, got, tt.want)
		}
	}
}
