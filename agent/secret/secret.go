// Package secret reads credentials from files: one line, at most 4 KiB, that its
// owner and group alone may use. A file that everybody may read or write is
// refused with the remedy; what is read is never part of an error. And it takes
// secrets out of what a server says, should it echo them.
package secret

import (
	"fmt"
	"io"
	"io/fs"
	"os"
	"strings"
)

const most = 4096 // bytes in a credentials file

// Read reads the secret in the file at path. Callers read it anew for each use,
// so that it can be changed without a restart.
func Read(path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", fmt.Errorf("credentials: %w", err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return "", fmt.Errorf("credentials: %w", err)
	}
	if info.Mode().Perm()&0o007 != 0 {
		return "", fmt.Errorf("credentials %s: everybody may use the file (mode %#o); chmod 640 it: %w", path, info.Mode().Perm(), fs.ErrPermission)
	}
	text, err := io.ReadAll(io.LimitReader(f, most+1))
	if err != nil {
		return "", fmt.Errorf("credentials: %w", err)
	}
	line := strings.TrimSpace(string(text))
	if line == "" || len(text) > most || strings.ContainsAny(line, "\r\n\x00") {
		return "", fmt.Errorf("credentials %s: want one line of at most %d bytes", path, most)
	}
	return line, nil
}

// Excerpt is the beginning of what a server said, at most most bytes of printable
// characters after ": ", without the secrets; "" where nothing is left.
func Excerpt(answer []byte, most int, secrets ...string) string {
	text := string(answer)
	for _, secret := range secrets {
		if secret != "" {
			text = strings.ReplaceAll(text, secret, "(secret)")
		}
	}
	text = strings.Map(func(r rune) rune {
		if r < ' ' || r > '~' {
			return ' '
		}
		return r
	}, text)
	text = strings.TrimSpace(text[:min(len(text), most)])
	if text == "" {
		return ""
	}
	return ": " + text
}
