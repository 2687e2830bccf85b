package notify

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"errors"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"
)

// disk is a store that forgets at a crash what was not flushed. flushes fail
// while broken, and take as long as slow.
type disk struct {
	mu        sync.Mutex
	put, kept map[string][]byte
	flushes   int
	broken    bool
	slow      time.Duration
}

func newDisk() *disk { return &disk{put: map[string][]byte{}, kept: map[string][]byte{}} }

// crash is what the next run finds.
func (d *disk) crash() *disk {
	d.mu.Lock()
	defer d.mu.Unlock()
	return &disk{put: maps.Clone(d.kept), kept: maps.Clone(d.kept)}
}

func place(queue string, n uint64) string {
	return queue + "\x00" + string(binary.BigEndian.AppendUint64(nil, n))
}

func (d *disk) Queued(queue string, each func(n uint64, item []byte)) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, k := range slices.Sorted(maps.Keys(d.put)) {
		if n, ok := strings.CutPrefix(k, queue+"\x00"); ok {
			each(binary.BigEndian.Uint64([]byte(n)), bytes.Clone(d.put[k]))
		}
	}
	return nil
}

func (d *disk) Enqueue(queue string, n uint64, v any) error { return d.PutState(place(queue, n), v) }

func (d *disk) Dequeue(queue string, n uint64) {
	d.mu.Lock()
	defer d.mu.Unlock()
	delete(d.put, place(queue, n))
}

func (d *disk) State(key string, into any) (bool, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	data, ok := d.put[key]
	if !ok {
		return false, nil
	}
	return true, json.Unmarshal(data, into)
}

func (d *disk) PutState(key string, v any) error {
	data, err := json.Marshal(v)
	d.mu.Lock()
	defer d.mu.Unlock()
	d.put[key] = data
	return err
}

func (d *disk) FlushWithin(most time.Duration) error {
	if time.Sleep(min(d.slow, most)); d.slow > most {
		return errors.New("slow")
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.flushes++
	if d.broken {
		return errors.New("no space left on device")
	}
	d.kept = maps.Clone(d.put)
	return nil
}
