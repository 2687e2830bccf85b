package reflector

import (
	"io"
	"sync"
)

// noiseReader gives a number of bytes out of a block of noise. The transport may
// go on reading it after the answer has come.
type noiseReader struct {
	noise []byte

	mu   sync.Mutex
	left int64
}

func (r *noiseReader) Read(p []byte) (int, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.left <= 0 {
		return 0, io.EOF
	}
	n := copy(p[:min(int64(len(p)), r.left)], r.noise)
	r.left -= int64(n)
	return n, nil
}

func (r *noiseReader) remaining() int64 {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.left
}
