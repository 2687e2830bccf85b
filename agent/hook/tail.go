package hook

import (
	"strings"
	"sync"
	"unicode"
)

// tail keeps the end of what is written to it.
type tail struct {
	mu   sync.Mutex
	kept []byte
}

func (t *tail) Write(p []byte) (int, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	n := len(p)
	if n > keptOutput {
		p = p[n-keptOutput:]
	}
	if over := len(t.kept) + len(p) - keptOutput; over > 0 {
		t.kept = append(t.kept[:0], t.kept[over:]...)
	}
	t.kept = append(t.kept, p...)
	return n, nil
}

// String is fit for a log line: valid text, one line, nothing that upsets a terminal.
func (t *tail) String() string {
	t.mu.Lock()
	defer t.mu.Unlock()
	text := strings.Map(func(r rune) rune {
		if unicode.IsControl(r) {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(string(t.kept), "?"))
	return strings.TrimSpace(text)
}
